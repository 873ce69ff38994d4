//! Checks that a recipe brings along: `[[expect]]`.
//!
//! ```toml
//! [[expect]]
//! number = "sharp.noise-gain"     # a number that the step `sharp` records
//! max    = 4
//! clip   = { use = "simulate.planet", frames = 300 }
//! help   = "sharpening must not drown the picture in noise"
//! ```

use stillair_api::{Parameters, Shape};

use super::check::Checked;
use super::parameters;
use super::recipe::{Recipe, text, wrong_kind};
use super::tree::{Item, Key, get};
use crate::catalogue::Catalogue;
use crate::diagnostic::{Log, suggest};
use crate::plan::Expectation;

const KEYS: [&str; 5] = ["number", "min", "max", "clip", "help"];

/// Reads the checks of a recipe.
pub(crate) fn read(log: &mut Log, recipe: &Recipe, checked: &Checked<'_>, catalogue: &Catalogue) -> Vec<Expectation> {
    recipe.expectations.iter().filter_map(|item| one(log, item, checked, catalogue)).collect()
}

fn one(log: &mut Log, item: &Item, checked: &Checked<'_>, catalogue: &Catalogue) -> Option<Expectation> {
    let table = item.table()?;
    let mut expectation = Expectation {
        step: String::new(),
        number: String::new(),
        min: None,
        max: None,
        clip: String::new(),
        clip_parameters: Parameters::default(),
        help: String::new(),
    };
    for (key, item) in table {
        match key.name.as_str() {
            "number" => {
                let name = text(log, key, item).unwrap_or_default();
                let Some((step, number)) = name.split_once('.') else {
                    log.error(&item.place, format!("`{name}` names no number"))
                        .remedy("write `step.number`, such as `stacked.frames-used`");
                    continue;
                };
                let steps: Vec<_> = checked.steps.iter().flatten().map(|s| s.name.name.as_str()).collect();
                if !steps.contains(&step) {
                    log.error(&item.place, format!("there is no step `{step}`")).remedy(suggest(
                        step,
                        steps.iter().copied(),
                        "step",
                    ));
                }
                expectation.step = step.into();
                expectation.number = number.into();
            }
            "min" => expectation.min = number(log, key, item),
            "max" => expectation.max = number(log, key, item),
            "clip" => (expectation.clip, expectation.clip_parameters) = clip(log, key, item, catalogue)?,
            "help" => expectation.help = text(log, key, item).unwrap_or_default(),
            other => {
                log.error(&key.place, format!("unknown key `{other}` of a check")).remedy(suggest(other, KEYS, "key"));
            }
        }
    }
    if get(table, "number").is_none() {
        log.error(&item.place, "the check names no number").remedy("add `number = \"step.number\"`");
    }
    match (expectation.min, expectation.max) {
        (None, None) => {
            log.error(&item.place, "the check has no bound").remedy("add `min`, `max` or both");
        }
        (Some(min), Some(max)) if min > max => {
            log.error(&item.place, format!("no number is at least {min} and at most {max}"));
        }
        _ => {}
    }
    Some(expectation)
}

fn number(log: &mut Log, key: &Key, item: &Item) -> Option<f64> {
    if item.number().is_none() {
        wrong_kind(log, key, item, "a number");
    }
    item.number()
}

fn clip(log: &mut Log, key: &Key, item: &Item, catalogue: &Catalogue) -> Option<(String, Parameters)> {
    let Some(table) = item.table() else {
        wrong_kind(log, key, item, "a table").remedy("write `clip = { use = \"simulate.planet\" }`");
        return None;
    };
    let method = get(table, "use").and_then(Item::text).unwrap_or("simulate.planet");
    let sources: Vec<_> = catalogue
        .all()
        .map(|l| &l.description)
        .filter(|d| d.shape == Shape::Source && d.method.starts_with("simulate."))
        .collect();
    let Some(description) = sources.iter().find(|d| d.method == method) else {
        log.error(&item.place, format!("`{method}` does not simulate clips")).remedy(suggest(
            method,
            sources.iter().map(|d| d.method.as_str()),
            "method",
        ));
        return None;
    };
    let mut given = Parameters::default();
    for (key, item) in table.iter().filter(|(key, _)| key.name != "use") {
        match description.parameters.iter().find(|p| p.name == key.name) {
            Some(spec) => {
                let value = parameters::read(log, spec, Shape::Source, key, item)?;
                given.0.insert(key.name.clone(), value);
            }
            None => {
                let names = description.parameters.iter().map(|p| p.name.as_str());
                log.error(&key.place, format!("`{method}` has no parameter `{}`", key.name)).remedy(suggest(
                    &key.name,
                    names,
                    "parameter",
                ));
            }
        }
    }
    Some((method.into(), given))
}
