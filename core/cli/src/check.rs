//! `stillair check`: all that is wrong with a recipe or a run's folder, and how much memory a run of it takes.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::json;
use stillair_api::{Context, Entry, Facts, Fault, Node, StreamShape};
use stillair_engine::catalogue::Catalogue;
use stillair_engine::compile::Given;
use stillair_engine::plan::{Plan, PlanNode, Stage};
use stillair_engine::run::memory_bound;

use crate::arguments::{Check, Global};
use crate::failure::Failure;
use crate::recipes::Recipe;
use crate::{expectations, inputs, memory, plugins, say, whole};

/// Checks a recipe.
pub fn check(verb: &Check, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    if let Some(folder) = whole::folder(&verb.recipe, global) {
        return whole::check(&folder, &catalogue, global);
    }
    let recipe = Recipe::find(&verb.recipe)?;
    let plan = recipe.compile(&catalogue, &Given::assumed(&recipe.inputs), global)?;
    say::diagnostics(&plan.warnings, global.json);
    // With every optional input too, since that adds steps.
    let all = Given { inputs: recipe.inputs.iter().map(|i| (i.name.clone(), 1)).collect() };
    recipe.compile(&catalogue, &all, global)?;
    let passes = plan.stages.iter().filter(|s| matches!(s, Stage::Pass(_))).count();
    if global.json {
        say::json(&json!({ "event": "checked", "recipe": plan.name, "steps": plan.nodes.len(), "passes": passes }));
    } else {
        let plural = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
        let steps = plural(plan.nodes.len(), "step");
        say::out(&format!("{}: good, {steps} in {}", plan.name, plural(passes, "pass").replace("passs", "passes")));
    }
    if verb.run {
        return expectations::run(&plan, &recipe, &catalogue, global);
    }
    match &verb.memory {
        Some(clip) => memory(&catalogue, &plan, &recipe, clip, global),
        None => Ok(()),
    }
}

/// Prints the bound of a run's memory, stage by stage.
fn memory(catalogue: &Catalogue, plan: &Plan, recipe: &Recipe, clip: &str, global: &Global) -> Result<(), Failure> {
    let threads = global.jobs.map_or_else(|| std::thread::available_parallelism().map_or(1, usize::from), usize::from);
    let size = size_of(clip);
    let mut facts = Facts::default();
    inputs::command_line(&mut facts, global)?;
    if size.is_none() {
        let files = inputs::sort(&recipe.inputs, &[PathBuf::from(clip)], global)?;
        facts = files.into_values().flatten().next().map(|file| file.facts).unwrap_or(facts);
    }
    let mut shapes = HashMap::new();
    let mut nodes = Vec::new();
    for (index, node) in plan.nodes.iter().enumerate() {
        let made = create(catalogue, node, &facts)?;
        if let Node::Source(source) = &made {
            let shape = match (size, node.file.is_some()) {
                (Some(size), true) => size,
                (_, reads) => {
                    let paths: Vec<_> = reads.then(|| PathBuf::from(clip)).into_iter().collect();
                    let info = source.open(&Quiet, &paths)?.info().clone();
                    let planes = info.layout.planes();
                    StreamShape { frames: info.frames, width: info.width, height: info.height, planes }
                }
            };
            shapes.insert(index, shape);
        }
        nodes.push(Some(made));
    }
    let (budget, bound) = memory::budget(global).fit(|bytes| memory_bound(plan, &nodes, &shapes, threads, bytes));
    if global.json {
        say::json(&json!({
            "event": "memory", "total_bytes": bound.total_bytes, "standing_bytes": bound.standing_bytes,
            "stage_bytes": bound.stage_bytes, "batch": bound.batch, "threads": threads,
        }));
        return Ok(());
    }
    let megabytes = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
    let mut text = String::new();
    let shape = shapes.values().next();
    let words = shape.map_or_else(String::new, |s| format!(" of {} frames of {}x{}", s.frames, s.width, s.height));
    let _ = writeln!(text, "memory for a clip{words}, {threads} threads");
    let _ = writeln!(text, "  {:>10}  program and tables", megabytes(bound.standing_bytes));
    for (index, (stage, bytes)) in bound.stages.iter().zip(&bound.stage_bytes).enumerate() {
        let (words, batch) = match stage {
            Stage::Pass(pass) => {
                let steps: Vec<_> = pass.nodes.iter().map(|i| plan.nodes[*i].step.as_str()).collect();
                let batch = bound.batch.get(index).copied().unwrap_or(0);
                (format!("pass: {}", steps.join(", ")), format!(" ({batch} frames at a time)"))
            }
            Stage::Value(node) => (plan.nodes[*node].step.clone(), String::new()),
        };
        let _ = writeln!(text, "  {:>10}  {words}{batch}", megabytes(*bytes));
    }
    let _ = writeln!(text, "  {:>10}  at most, of a budget of {}", megabytes(bound.total_bytes), megabytes(budget));
    say::out(&text);
    if bound.total_bytes > budget {
        let fault = Fault::resource(format!(
            "the run would take {}, more than the budget of {}",
            megabytes(bound.total_bytes),
            megabytes(budget)
        ));
        return Err(fault
            .remedy(format!("give --memory-budget {:.0}MB", (bound.total_bytes as f64 / 1e6).ceil()))
            .into());
    }
    Ok(())
}

fn create(catalogue: &Catalogue, node: &PlanNode, facts: &Facts) -> Result<Node, Failure> {
    let name = &node.description.method;
    let listed = catalogue.get(name).ok_or_else(|| Fault::internal(format!("the method {name} is not at hand")))?;
    let made = listed.method.create(&node.parameters, &facts.only(&node.description.facts));
    Ok(made.map_err(|fault| fault.at(format!("step `{}`", node.step)))?)
}

/// Reads `640x480x3000`: columns, rows, frames. A file of that name comes first.
fn size_of(text: &str) -> Option<StreamShape> {
    if Path::new(text).exists() {
        return None;
    }
    let numbers: Vec<usize> = text.split('x').map(str::parse).collect::<Result<_, _>>().ok()?;
    match numbers[..] {
        [width, height, frames] => Some(StreamShape { frames, width, height, planes: 1 }),
        _ => None,
    }
}

/// A context for opening a clip, which says nothing.
pub struct Quiet;

impl Context for Quiet {
    fn cancelled(&self) -> bool {
        false
    }

    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
        (0..n).for_each(task);
    }

    fn record(&self, _entry: Entry) {}

    fn warn(&self, message: &str) {
        tracing::warn!("{message}");
    }

    fn reserve(&self, _bytes: u64) -> bool {
        false
    }
}
