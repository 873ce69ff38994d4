//! `stillair watch`: takes every finished clip of a folder, runs a recipe on it, and keeps a ledger so that none is
//! taken twice. A clip that fails is written down with its error, and the next one is taken.

use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, UNIX_EPOCH};

use serde::{Deserialize, Serialize};
use serde_json::json;
use stillair_api::{Fault, FaultKind};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::run::{CancelFlag, Finished};

use crate::arguments::{Global, Watch};
use crate::failure::Failure;
use crate::recipes::Recipe;
use crate::run::carry_out;
use crate::{inputs, plugins, say, signals};

/// Endings of files that are taken for clips.
const CLIPS: [&str; 6] = ["ser", "avi", "mov", "mp4", "mkv", "m4v"];
/// Name of the ledger in the folder for runs.
const LEDGER: &str = "watch.jsonl";
/// Name of the lock that keeps a second watcher off.
const LOCK: &str = ".watch.lock";

/// What a clip is known by: a clip that changes is another one.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
struct Clip {
    file: PathBuf,
    bytes: u64,
    modified_ns: u64,
}

/// A line of the ledger.
#[derive(Debug, Serialize, Deserialize)]
struct Line {
    #[serde(flatten)]
    clip: Clip,
    /// `done` or `set aside`.
    outcome: String,
    /// The run's folder.
    run: Option<PathBuf>,
    /// Why it was set aside.
    error: Option<String>,
}

/// Watches a folder until it is told to stop, or goes through it once.
pub fn watch(verb: &Watch, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    let recipe = Recipe::find(&verb.recipe)?;
    // A recipe that is wrong is wrong for every clip.
    let one = stillair_engine::compile::Given::assumed(&recipe.inputs);
    recipe.compile(&catalogue, &one, global)?;
    if !verb.folder.is_dir() {
        return Err(Failure::request(format!("{} is not a folder", verb.folder.display()), "give the folder of clips"));
    }
    fs::create_dir_all(&global.out)
        .map_err(|error| Fault::resource(format!("cannot make {}: {error}", global.out.display())))?;
    let _lock = lock(&global.out)?;
    let mut watcher = Watcher {
        settle: Duration::from_secs_f64(verb.settle_s.clamp(0.0, 3600.0)),
        known: read_ledger(&global.out.join(LEDGER))?,
        seen: BTreeMap::new(),
        folder: verb.folder.clone(),
    };
    let cancel = signals::cancel_flag();
    let mut aside = 0;
    loop {
        let (ready, waiting) = watcher.look()?;
        for clip in ready {
            if cancel.is_set() {
                break;
            }
            let told = take(&recipe, &catalogue, &clip, global, &cancel);
            let line = match told {
                Ok(finished) => {
                    crate::run::tell(&finished, global.json);
                    Line { clip, outcome: "done".into(), run: Some(finished.folder), error: None }
                }
                Err(failure) if is_cancelled(&failure) => return Err(failure),
                Err(failure) => {
                    aside += 1;
                    say::failure(&failure, global.json);
                    set_aside(clip, &failure, global)
                }
            };
            write_line(&global.out.join(LEDGER), &line)?;
            watcher.known.push(line.clip);
        }
        if cancel.is_set() {
            return Err(Fault::cancelled().into());
        }
        if verb.once && !waiting {
            break;
        }
        rest(&cancel, Duration::from_millis(if verb.once { 200 } else { 1000 }));
    }
    if aside > 0 {
        let message = format!("{aside} {} set aside", if aside == 1 { "clip was" } else { "clips were" });
        return Err(Fault::data(message).remedy(format!("{} says why", global.out.join(LEDGER).display())).into());
    }
    Ok(())
}

struct Watcher {
    folder: PathBuf,
    settle: Duration,
    known: Vec<Clip>,
    /// Clips that are not in the ledger, with the time since when they have not changed.
    seen: BTreeMap<PathBuf, (Clip, Instant)>,
}

impl Watcher {
    /// The clips that are finished, by name, and whether there are others that are not yet.
    fn look(&mut self) -> Result<(Vec<Clip>, bool), Failure> {
        let cannot = |error: std::io::Error| {
            Failure::from(Fault::resource(format!("cannot read {}: {error}", self.folder.display())))
        };
        let mut there = BTreeMap::new();
        for entry in fs::read_dir(&self.folder).map_err(cannot)? {
            let path = entry.map_err(cannot)?.path();
            let Some(clip) = clip(&path) else { continue };
            if self.known.contains(&clip) {
                continue;
            }
            let since = match self.seen.get(&path) {
                Some((before, since)) if *before == clip => *since,
                // What has not changed for long need not be waited for.
                _ => Instant::now().checked_sub(age(&clip).min(self.settle)).unwrap_or_else(Instant::now),
            };
            there.insert(path, (clip, since));
        }
        self.seen = there;
        let finished = |(clip, since): &(Clip, Instant)| (since.elapsed() >= self.settle).then(|| clip.clone());
        let ready: Vec<Clip> = self.seen.values().filter_map(finished).collect();
        let waiting = ready.len() < self.seen.len();
        Ok((ready, waiting))
    }
}

/// How long ago a clip was last changed, by the file's time.
fn age(clip: &Clip) -> Duration {
    let modified = UNIX_EPOCH + Duration::from_nanos(clip.modified_ns);
    modified.elapsed().unwrap_or_default()
}

fn clip(path: &Path) -> Option<Clip> {
    let ending = path.extension()?.to_str()?.to_ascii_lowercase();
    let hidden = path.file_name()?.to_string_lossy().starts_with('.');
    let facts = fs::metadata(path).ok()?;
    if hidden || !CLIPS.contains(&ending.as_str()) || !facts.is_file() || facts.len() == 0 {
        return None;
    }
    let since_1970 = facts.modified().ok()?.duration_since(UNIX_EPOCH).ok()?;
    let modified_ns = u64::try_from(since_1970.as_nanos()).ok()?;
    Some(Clip { file: path.canonicalize().ok()?, bytes: facts.len(), modified_ns })
}

fn take(
    recipe: &Recipe,
    catalogue: &Catalogue,
    clip: &Clip,
    global: &Global,
    cancel: &CancelFlag,
) -> Result<Finished, Failure> {
    if !global.json {
        say::note(&format!("clip     {}", clip.file.display()));
    }
    let files = inputs::sort(&recipe.inputs, std::slice::from_ref(&clip.file), global)?;
    let plan = recipe.compile(catalogue, &inputs::given(&files), global)?;
    carry_out(&plan, catalogue, files, global, cancel)
}

fn is_cancelled(failure: &Failure) -> bool {
    match failure {
        Failure::Fault(fault) => fault.kind == FaultKind::Cancelled,
        Failure::Run(failed) => failed.fault.kind == FaultKind::Cancelled,
        Failure::Words(_) => false,
    }
}

fn set_aside(clip: Clip, failure: &Failure, global: &Global) -> Line {
    let (error, run) = match failure {
        Failure::Words(found) => (found.list.first().map_or_else(String::new, |d| d.message.clone()), None),
        Failure::Fault(fault) => (fault.message.clone(), None),
        Failure::Run(failed) => (failed.fault.message.clone(), failed.folder.clone()),
    };
    if global.json {
        say::json(&json!({ "event": "set-aside", "file": clip.file, "error": error }));
    } else {
        say::note(&format!("set aside {}: {error}", clip.file.display()));
    }
    Line { clip, outcome: "set aside".into(), run, error: Some(error) }
}

fn rest(cancel: &CancelFlag, time: Duration) {
    let begun = Instant::now();
    while begun.elapsed() < time && !cancel.is_set() {
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn lock(out: &Path) -> Result<File, Failure> {
    let path = out.join(LOCK);
    let cannot = |error: &dyn std::fmt::Display| Fault::resource(format!("cannot lock {}: {error}", path.display()));
    let file = File::create(&path).map_err(|error| cannot(&error))?;
    file.try_lock().map_err(|_| {
        Failure::request(
            format!("another watcher writes into {} already", out.display()),
            "stop it, or give another folder with --out",
        )
    })?;
    Ok(file)
}

/// The clips of a ledger; a last line that a power cut left half written is taken off.
fn read_ledger(path: &Path) -> Result<Vec<Clip>, Failure> {
    if !path.exists() {
        return Ok(Vec::new());
    }
    let cannot = |error: std::io::Error| Fault::resource(format!("cannot read {}: {error}", path.display()));
    let text = fs::read_to_string(path).map_err(cannot)?;
    let whole = text.rfind('\n').map_or(0, |at| at + 1);
    if whole < text.len() {
        OpenOptions::new().write(true).open(path).and_then(|file| file.set_len(whole as u64)).map_err(cannot)?;
    }
    let clip = |(number, line): (usize, &str)| {
        serde_json::from_str::<Line>(line).map(|line| line.clip).map_err(|error| {
            let message = format!("{}, line {}: {error}", path.display(), number + 1);
            Fault::data(message).remedy("mend or remove the line; its clip is then taken again").into()
        })
    };
    text[..whole].lines().enumerate().map(clip).collect()
}

fn write_line(path: &Path, line: &Line) -> Result<(), Failure> {
    let write = || -> std::io::Result<()> {
        let mut file = OpenOptions::new().create(true).append(true).open(path)?;
        let mut text = serde_json::to_string(line).map_err(std::io::Error::other)?;
        text.push('\n');
        file.write_all(text.as_bytes())?;
        file.sync_all()
    };
    write().map_err(|error| Fault::resource(format!("cannot write {}: {error}", path.display())).into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ledger_comes_back_without_its_half_written_end() {
        let path = std::env::temp_dir().join(format!("stillair-ledger-{}.jsonl", std::process::id()));
        let clip = Clip { file: "/clips/a.ser".into(), bytes: 7, modified_ns: u64::MAX };
        let line = Line { clip: clip.clone(), outcome: "done".into(), run: None, error: None };
        let _ = fs::remove_file(&path);
        write_line(&path, &line).unwrap();
        let mut text = fs::read_to_string(&path).unwrap();
        text.push_str("{\"file\": \"/cl");
        fs::write(&path, text).unwrap();
        assert_eq!(read_ledger(&path).unwrap(), [clip]);
        write_line(&path, &line).unwrap();
        assert_eq!(read_ledger(&path).unwrap().len(), 2);
        fs::write(&path, "no ledger\n").unwrap();
        assert!(read_ledger(&path).is_err());
        fs::remove_file(&path).unwrap();
    }
}
