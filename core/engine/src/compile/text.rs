//! A merged recipe as TOML, complete in itself.

use std::fmt::Write as _;

use super::recipe::{Recipe, SCHEMA};
use super::tree::{quoted, write_key, write_value};

/// Writes a recipe out.
pub(crate) fn write(recipe: &Recipe, name: &str) -> String {
    let mut out = format!("schema = {SCHEMA}\nname = {}\n", quoted(name));
    if !recipe.summary.is_empty() {
        line(&mut out, "summary", &quoted(&recipe.summary));
    }
    if !recipe.inputs.is_empty() {
        out.push_str("\n[inputs]\n");
        for input in &recipe.inputs {
            let mut keys = vec!["type = \"frames\"".to_string()];
            if !input.help.is_empty() {
                keys.push(format!("help = {}", quoted(&input.help)));
            }
            let flags = [("many", input.many), ("optional", input.optional)];
            keys.extend(flags.iter().filter(|(_, on)| *on).map(|(name, _)| format!("{name} = true")));
            keys.extend(input.reading.iter().map(|(k, v)| format!("{} = {}", write_key(&k.name), write_value(v))));
            line(&mut out, &write_key(&input.name.name), &format!("{{ {} }}", keys.join(", ")));
        }
    }
    for step in &recipe.steps {
        section(&mut out, &format!("[step.{}]", write_key(&step.name.name)));
        for entry in &step.entries {
            line(&mut out, &write_key(&entry.key.name), &write_value(&entry.item));
        }
    }
    if !recipe.results.is_empty() {
        section(&mut out, "[results]");
        for (key, item) in &recipe.results {
            line(&mut out, &write_key(&key.name), &write_value(item));
        }
    }
    for variant in &recipe.variants {
        section(&mut out, &format!("[variant.{}]", write_key(&variant.name.name)));
        for (step, key, item) in &variant.settings {
            line(&mut out, &format!("{}.{}", write_key(&step.name), write_key(&key.name)), &write_value(item));
        }
    }
    for expectation in &recipe.expectations {
        section(&mut out, "[[expect]]");
        for (key, item) in expectation.table().into_iter().flatten() {
            line(&mut out, &write_key(&key.name), &write_value(item));
        }
    }
    out
}

fn section(out: &mut String, header: &str) {
    // Writing to a string cannot fail.
    let _ = writeln!(out, "\n{header}");
}

fn line(out: &mut String, key: &str, value: &str) {
    let _ = writeln!(out, "{key} = {value}");
}
