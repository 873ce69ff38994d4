//! The plan: all that the run wing needs to know of a recipe.

use serde::Serialize;
use stillair_api::{Description, Parameters};

use crate::diagnostic::Diagnostic;

/// An output port of a node.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
pub struct OutputRef {
    /// Index into [`Plan::nodes`].
    pub node: usize,
    /// Index into the description's outputs.
    pub port: usize,
}

/// A step of the recipe, ready to be made into a node.
#[derive(Debug, Clone, Serialize)]
pub struct PlanNode {
    /// Name of the step; for an input its name, for a writer that a result implies `results.NAME`. Where a step runs
    /// once for each of several clips, `[1]`, `[2]`, ... follow.
    pub step: String,
    /// The method's description.
    pub description: Description,
    /// Every parameter, with defaults filled in.
    pub parameters: Parameters,
    /// Names of parameters that the recipe or the command line set.
    pub given: Vec<String>,
    /// For each input port of the description, the outputs linked to it (empty = unset).
    pub inputs: Vec<Vec<OutputRef>>,
    /// For a source that reads a recipe input: the input's name and which of its files (from 0).
    pub file: Option<(String, usize)>,
}

/// A step that was left out because nothing is linked to a required port.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Skipped {
    /// Name of the step.
    pub step: String,
    /// Why, in words.
    pub why: String,
}

/// A step whose method was put in place of another, by a setting or by a recipe that extends another.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Replaced {
    /// Name of the step.
    pub step: String,
    /// The method it uses.
    pub method: String,
    /// The method it used before.
    pub before: String,
}

/// One reading of a clip: a source and the stream nodes that share it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Pass {
    /// The source node.
    pub source: usize,
    /// Maps, measures, reduces and frame sinks of this pass, in topological order. A map may stand in several passes.
    pub nodes: Vec<usize>,
}

/// A thing to be done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub enum Stage {
    /// Read a clip once (again for each sweep that a reduce asks for).
    Pass(Pass),
    /// Run a transform or a sink of values.
    Value(usize),
}

/// Settings that make another plan from the same recipe.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Variant {
    /// Name.
    pub name: String,
    /// Settings, as on the command line: `step.parameter=value`.
    pub settings: Vec<String>,
}

/// A check that the recipe brings along: a number of the record held against bounds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Expectation {
    /// Step that records the number.
    pub step: String,
    /// Name of the number in the step's record.
    pub number: String,
    /// Smallest value that passes.
    pub min: Option<f64>,
    /// Largest value that passes.
    pub max: Option<f64>,
    /// Source method and parameters of the simulated clip to try it on, "" for the default clip.
    pub clip: String,
    /// Parameters of that source.
    pub clip_parameters: Parameters,
    /// Why it should hold.
    pub help: String,
}

/// All that the run wing needs to know of a recipe.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Plan {
    /// Name of the recipe.
    pub name: String,
    /// Its summary line.
    pub summary: String,
    /// The recipe as resolved, complete in itself, as TOML.
    pub recipe: String,
    /// Nodes in topological order.
    pub nodes: Vec<PlanNode>,
    /// Stages in the order of their doing.
    pub stages: Vec<Stage>,
    /// Named results: name and output.
    pub results: Vec<(String, OutputRef)>,
    /// Steps left out.
    pub skipped: Vec<Skipped>,
    /// Steps whose method stands in place of another: the first to be looked at where a later step fails.
    pub replaced: Vec<Replaced>,
    /// Oddities that do not stand in the way, such as steps that nothing needs.
    pub warnings: Vec<Diagnostic>,
    /// Alternatives that the recipe names.
    pub variants: Vec<Variant>,
    /// Checks that the recipe brings along.
    pub expectations: Vec<Expectation>,
}

impl Plan {
    /// The replaced methods that a step builds on, in words; `None` where there are none.
    pub fn replaced_before(&self, step: &str) -> Option<String> {
        let plain = |name: &str| name.split('[').next().unwrap_or_default().to_string();
        let mut seen = vec![false; self.nodes.len()];
        let mut queue: Vec<usize> = (0..self.nodes.len()).filter(|n| self.nodes[*n].step == step).collect();
        while let Some(node) = queue.pop() {
            for output in self.nodes[node].inputs.iter().flatten() {
                if !std::mem::replace(&mut seen[output.node], true) {
                    queue.push(output.node);
                }
            }
        }
        let before: Vec<String> = (0..seen.len()).filter(|n| seen[*n]).map(|n| plain(&self.nodes[n].step)).collect();
        let words: Vec<String> = (self.replaced.iter().filter(|r| r.step != plain(step) && before.contains(&r.step)))
            .map(|r| format!("`{}`, which uses {} in place of {}", r.step, r.method, r.before))
            .collect();
        (!words.is_empty()).then(|| format!("it builds on {}", words.join(" and on ")))
    }
}
