//! `stillair check RECIPE --run`: tries the checks that a recipe brings along, each on a simulated clip.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use stillair_api::{Fault, Parameters};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::{self, RecipeText, show};
use stillair_engine::plan::{Expectation, Plan};

use crate::arguments::Global;
use crate::demo;
use crate::failure::Failure;
use crate::inputs::{self, Files};
use crate::recipes::{Recipe, Shelf};
use crate::run::carry_out;
use crate::{say, signals};

/// Runs the recipe once for each clip that its checks name, in a folder that does not stay, and holds the numbers of the
/// records to their bounds.
pub fn run(plan: &Plan, recipe: &Recipe, catalogue: &Catalogue, global: &Global) -> Result<(), Failure> {
    if plan.expectations.is_empty() {
        return Err(Failure::request(
            format!("{} brings no checks along", plan.name),
            "add some: [[expect]] with number = \"STEP.NAME\", min or max, and perhaps clip",
        ));
    }
    let place = tempfile::tempdir().map_err(|e| Failure::from(Fault::from(e)))?;
    let mut by_clip: BTreeMap<String, Vec<&Expectation>> = BTreeMap::new();
    for expectation in &plan.expectations {
        by_clip.entry(maker_of(expectation)).or_default().push(expectation);
    }
    let mut failed = 0;
    for (number, (maker, expectations)) in by_clip.into_iter().enumerate() {
        let out = place.path().join(number.to_string());
        let record = record_of(maker, &out, recipe, catalogue, global)?;
        for expectation in expectations {
            let found = number_of(&record, expectation);
            let good = found.is_some_and(|n| {
                expectation.min.is_none_or(|min| n >= min) && expectation.max.is_none_or(|max| n <= max)
            });
            failed += usize::from(!good);
            tell(expectation, found, good, global.json);
        }
    }
    match failed {
        0 => Ok(()),
        _ => Err(Fault::data(format!("{failed} of {} checks of {} failed", plan.expectations.len(), plan.name))
            .remedy("look into the recipe, or at the bounds of its checks")
            .into()),
    }
}

/// The recipe that makes a check's clip.
fn maker_of(expectation: &Expectation) -> String {
    let Parameters(given) = &expectation.clip_parameters;
    let mut text = String::from("schema = 1\nname = \"clip-of-checks\"\n");
    if expectation.clip.is_empty() {
        text.push_str("extends = \"demo-clip\"\n");
        return text;
    }
    let _ = write!(text, "[step.seen]\nuse = {:?}\n", expectation.clip);
    for (name, value) in given {
        let _ = writeln!(text, "{name} = {}", show(value));
    }
    text.push_str("[step.clip]\nuse = \"write.ser\"\nframes = \"@seen\"\nname = \"clip\"\n");
    text
}

/// The record of a run on the clip that `maker` makes.
fn record_of(
    maker: String,
    out: &Path,
    recipe: &Recipe,
    catalogue: &Catalogue,
    global: &Global,
) -> Result<Value, Failure> {
    let cancel = signals::cancel_flag();
    let here = Global { out: out.into(), no_cache: true, cache: None, ..global.clone() };
    let text = RecipeText { name: "clip-of-checks".into(), path: "clip-of-checks.toml".into(), text: maker };
    let none = inputs::given(&Files::new());
    let making = compile::compile(&text, catalogue, &none, &[], &Shelf { folder: None })?;
    let plain = Global { session: None, facts: Vec::new(), ..here.clone() };
    let made = carry_out(&making, catalogue, Files::new(), &plain, &cancel)?;
    let clip = demo::clip(&made)?;
    demo::write_session(&making, &clip)?;
    let names: Vec<PathBuf> = recipe.inputs.iter().filter(|i| !i.optional).map(|_| clip.clone()).collect();
    let files = inputs::sort(&recipe.inputs, &names, &here)?;
    let plan = recipe.compile(catalogue, &inputs::given(&files), &here)?;
    let finished = carry_out(&plan, catalogue, files, &here, &cancel)?;
    let path = finished.folder.join("run.json");
    let bytes = std::fs::read(&path).map_err(|e| Failure::from(Fault::from(e).at(path.display())))?;
    Ok(serde_json::from_slice(&bytes).map_err(|e| Fault::internal(format!("{}: {e}", path.display())))?)
}

/// The number that a step recorded; of a step that ran once for each of several clips, the first one's.
fn number_of(record: &Value, expectation: &Expectation) -> Option<f64> {
    let is_step = |node: &&Value| {
        node["step"].as_str().is_some_and(|step| step.split('[').next() == Some(expectation.step.as_str()))
    };
    let node = record["nodes"].as_array()?.iter().find(is_step)?;
    let entry = node["entries"].as_array()?.iter().find(|e| e["name"] == expectation.number.as_str())?;
    entry["value"].as_f64()
}

fn tell(expectation: &Expectation, found: Option<f64>, good: bool, as_json: bool) {
    let Expectation { step, number, min, max, help, .. } = expectation;
    if as_json {
        say::json(&json!({
            "event": "expected", "number": format!("{step}.{number}"), "value": found, "min": min, "max": max,
            "good": good, "help": help,
        }));
        return;
    }
    let value = found.map_or_else(|| "was not recorded".into(), |n| format!("is {n}"));
    let bounds: Vec<String> = [("at least", min), ("at most", max)]
        .into_iter()
        .filter_map(|(word, bound)| bound.map(|b| format!("{word} {b}")))
        .collect();
    let why = if help.is_empty() { String::new() } else { format!(": {help}") };
    let verdict = if good { "good  " } else { "FAILED" };
    say::out(&format!("{verdict}  {step}.{number} {value}, wanted {}{why}", bounds.join(" and ")));
}
