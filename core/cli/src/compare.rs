//! `stillair compare`: a recipe in several ways, or on several clips of one target, side by side.

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use serde_json::json;
use stillair_api::{Fault, FaultKind};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::Override;
use stillair_engine::plan::{Plan, Variant};
use stillair_report::compare::{Comparison, Measure, RunOf, Summary};

use crate::arguments::{Compare, Global, Rank};
use crate::failure::Failure;
use crate::inputs::{self, Files};
use crate::recipes::Recipe;
use crate::run::carry_out;
use crate::{cache, plugins, say, signals};

/// Most runs of one comparison: more would be a mistake.
const MOST_RUNS: usize = 256;

/// One way of running the recipe on one clip.
struct Way {
    name: String,
    /// The same in parts.
    words: Vec<String>,
    clip: String,
    settings: Vec<String>,
    files: Files,
    plan: Plan,
}

/// Runs the product of the variations and writes one folder that compares them.
pub fn compare(verb: &Compare, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    let recipe = Recipe::find(&verb.recipe)?;
    let ways = ways(verb, &recipe, &catalogue, global)?;
    let place = Place::make(&global.out, &ways[0].plan.name)?;
    // Stages that several ways share run once, through the cache; where the user wants none, through one that goes away.
    let passing = place.making.join("cache");
    let shared = match cache::of_runs(global) {
        Some(_) => global.clone(),
        None => Global { no_cache: false, cache: Some(passing.clone()), ..global.clone() },
    };
    let cancel = signals::cancel_flag();
    let mut runs = Vec::new();
    let count = ways.len();
    for (number, way) in ways.into_iter().enumerate() {
        if !global.json {
            say::note(&format!("run {} of {count}: {} on {}", number + 1, way.name, way.clip));
        }
        let own = Global { out: place.making.join("runs"), settings: way.settings.clone(), ..shared.clone() };
        let done = carry_out(&way.plan, &catalogue, way.files, &own, &cancel);
        let (folder, failure) = match done {
            Ok(finished) => (Some(finished.folder), None),
            Err(Failure::Run(failed)) if failed.fault.kind != FaultKind::Cancelled => {
                say::note(&format!("this run failed: {}", failed.fault.message));
                (None, Some(failed.fault.message.clone()))
            }
            Err(failure) => {
                place.abandon();
                return Err(failure);
            }
        };
        let folder = folder.and_then(|f| f.strip_prefix(&place.making).ok().map(Path::to_path_buf));
        runs.push(RunOf { name: way.name, words: way.words, clip: way.clip, settings: way.settings, folder, failure });
    }
    let _ = fs::remove_dir_all(&passing);
    let rank = match verb.rank {
        Rank::Resolution => Measure::Resolution,
        Rank::Noise => Measure::Noise,
        Rank::Overshoot => Measure::Overshoot,
    };
    let comparison = Comparison { recipe: verb.recipe.clone(), rank, runs };
    let written = stillair_report::compare::write(&place.making, &comparison);
    let summary = written.map_err(|error| Fault::data(error.to_string()))?;
    let folder = place.finish()?;
    tell(&folder, &summary, global.json);
    if comparison.runs.iter().all(|run| run.folder.is_none()) {
        return Err(Fault::data("no run came to its end").into());
    }
    Ok(())
}

/// Every clip in every way, compiled before anything runs.
fn ways(verb: &Compare, recipe: &Recipe, catalogue: &Catalogue, global: &Global) -> Result<Vec<Way>, Failure> {
    let is_named = |path: &&PathBuf| {
        let name = path.to_str().and_then(|text| text.split_once('=')).map(|(name, _)| name);
        name.is_some_and(|name| recipe.inputs.iter().any(|i| i.name == name)) && !path.exists()
    };
    let (named, plain): (Vec<&PathBuf>, Vec<&PathBuf>) = verb.clips.iter().partition(is_named);
    let vary = verb.vary.iter().map(|text| values(text)).collect::<Result<Vec<_>, _>>()?;
    let clips: Vec<Option<&PathBuf>> =
        if plain.is_empty() { vec![None] } else { plain.into_iter().map(Some).collect() };
    let mut ways = Vec::new();
    for clip in clips {
        let paths: Vec<PathBuf> = clip.into_iter().chain(named.iter().copied()).cloned().collect();
        let files = inputs::sort(&recipe.inputs, &paths, global)?;
        let given = inputs::given(&files);
        let base = recipe.compile(catalogue, &given, global)?;
        say::diagnostics(&base.warnings, global.json);
        let mut variants = vec![Variant { name: String::new(), settings: Vec::new() }];
        variants.extend(base.variants.clone());
        let several = variants.len() > 1;
        let clip = clip.unwrap_or(&paths[0]).file_name().unwrap_or_default().to_string_lossy().into_owned();
        for variant in variants {
            for varied in product(&vary) {
                let origin = format!("[variant.{}]", variant.name);
                let from = |texts: &[String], origin: &str| -> Vec<Override> {
                    texts.iter().map(|text| Override { text: text.clone(), origin: origin.into() }).collect()
                };
                let overrides =
                    [from(&global.settings, "--set"), from(&variant.settings, &origin), from(&varied, "--vary")]
                        .concat();
                let settings: Vec<String> = overrides.iter().map(|o| o.text.clone()).collect();
                let plan = recipe.compile_with(catalogue, &given, &overrides)?;
                let words: Vec<&str> = [variant.name.as_str()]
                    .into_iter()
                    .filter(|n| !n.is_empty())
                    .chain(varied.iter().map(String::as_str))
                    .collect();
                let name = if words.is_empty() { "as it is".into() } else { words.join(", ") };
                let variant = if variant.name.is_empty() { "as it is" } else { variant.name.as_str() };
                let words: Vec<String> = (Some(variant).filter(|_| several).into_iter().map(Into::into))
                    .chain(varied.iter().cloned())
                    .collect();
                ways.push(Way { name, words, clip: clip.clone(), settings, files: files.clone(), plan });
            }
        }
        if ways.len() > MOST_RUNS {
            let message = format!("that makes more than {MOST_RUNS} runs");
            return Err(Failure::request(message, "vary fewer things at once"));
        }
    }
    if ways.len() < 2 {
        return Err(Failure::request(
            "there is nothing to compare: one clip in one way",
            "give --vary STEP.KEY=A,B or another clip",
        ));
    }
    Ok(ways)
}

/// `step.key=a,b,c` as a setting for each value; commas within brackets or quotes stay.
fn values(text: &str) -> Result<Vec<String>, Failure> {
    let wrong = || {
        Failure::request(
            format!("--vary {text}: write step.key=first,second"),
            "for example --vary weights.power=1,2,4",
        )
    };
    let (key, list) = text.split_once('=').ok_or_else(wrong)?;
    let (mut found, mut current, mut depth, mut quoted) = (Vec::new(), String::new(), 0_i32, false);
    for c in list.chars() {
        match c {
            '"' => quoted = !quoted,
            '[' | '{' if !quoted => depth += 1,
            ']' | '}' if !quoted => depth -= 1,
            ',' if !quoted && depth == 0 => {
                found.push(std::mem::take(&mut current));
                continue;
            }
            _ => {}
        }
        current.push(c);
    }
    found.push(current);
    let found: Vec<String> = found.iter().map(|value| value.trim().to_string()).collect();
    if !key.contains('.') || found.iter().any(String::is_empty) {
        return Err(wrong());
    }
    Ok(found.into_iter().map(|value| format!("{}={value}", key.trim())).collect())
}

/// Every value of the first list with every value of the second, and so on; the last changes fastest.
fn product(lists: &[Vec<String>]) -> Vec<Vec<String>> {
    let mut all = vec![Vec::new()];
    for list in lists {
        let longer = |start: &Vec<String>| {
            let start = start.clone();
            list.iter().map(move |value| start.iter().chain([value]).cloned().collect::<Vec<_>>())
        };
        all = all.iter().flat_map(longer).collect();
    }
    all
}

/// The folder of a comparison, made beside its place.
struct Place {
    making: PathBuf,
    done: PathBuf,
    /// Free once this process is gone: what it left is then cleared away by the next run.
    lock: File,
}

impl Place {
    fn make(out: &Path, recipe: &str) -> Result<Self, Failure> {
        let fault = |path: &Path, e: &std::io::Error| {
            Fault::resource(format!("{}: {e}", path.display())).remedy("give another folder with --out")
        };
        fs::create_dir_all(out).map_err(|e| fault(out, &e))?;
        let now = Timestamp::now();
        let stem = format!("{}-compare-{recipe}", now.strftime("%Y-%m-%dT%H%MZ"));
        let names = (1..).map(|n| if n == 1 { stem.clone() } else { format!("{stem}-{n}") });
        for name in names {
            let (making, done) = (out.join(format!(".making-{name}")), out.join(&name));
            if done.exists() || out.join(format!("{name}-failed")).exists() {
                continue;
            }
            match fs::create_dir(&making) {
                Ok(()) => {
                    let path = making.join(".lock");
                    let lock = File::create(&path).map_err(|e| fault(&path, &e))?;
                    lock.try_lock().map_err(|e| fault(&path, &e.into()))?;
                    return Ok(Self { making, done, lock });
                }
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(fault(&making, &e).into()),
            }
        }
        Err(Fault::internal("there is always another number").into())
    }

    /// A comparison that was stopped leaves its runs, under a name that says so.
    fn abandon(self) {
        drop(self.lock);
        let _ = fs::remove_file(self.making.join(".lock"));
        let _ = fs::remove_dir_all(self.making.join("cache"));
        let name = self.done.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let _ = fs::rename(&self.making, self.done.with_file_name(format!("{name}-cancelled")));
    }

    fn finish(self) -> Result<PathBuf, Failure> {
        drop(self.lock);
        let _ = fs::remove_file(self.making.join(".lock"));
        fs::rename(&self.making, &self.done).map_err(|e| Fault::resource(format!("{}: {e}", self.done.display())))?;
        Ok(self.done)
    }
}

fn tell(folder: &Path, summary: &Summary, json: bool) {
    if json {
        return say::json(&json!({ "event": "compared", "folder": folder, "comparison": summary.json }));
    }
    let mut lines = summary.lines.clone();
    lines.push(format!("sheet    {}", folder.join("contact-sheet.png").display()));
    lines.push(format!("page     {}", folder.join("compare.html").display()));
    say::out(&lines.join("\n"));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_told_apart_and_multiplied() {
        let list = values("sharp.scales=[1,2],[2,4],\"a,b\"").ok().unwrap();
        assert_eq!(list, ["sharp.scales=[1,2]", "sharp.scales=[2,4]", "sharp.scales=\"a,b\""]);
        assert!(values("weights.power").is_err() && values("power=1,2").is_err() && values("a.b=1,,2").is_err());
        let two = [values("a.b=1,2").ok().unwrap(), values("c.d=3,4").ok().unwrap()];
        let all = product(&two);
        assert_eq!(all.len(), 4);
        assert_eq!(all[1], ["a.b=1", "c.d=4"]);
        assert_eq!(product(&[]), vec![Vec::<String>::new()]);
    }
}
