//! `run.json`: everything needed to understand a run and to run it again.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;
use stillair_api::{Entry, Facts, Fault, FaultKind, Parameters, Shape};

use super::budget::MemoryBound;
use super::inputs::InputRecord;
use super::output::Written;
use super::report_tables::MainColumns;
use crate::catalogue::Catalogue;
use crate::plan::{Plan, Skipped};

/// Version of the record's format.
pub(super) const FORMAT: u32 = 1;

/// Of a step whose turn has not come.
pub(super) const NOT_RUN: &str = "not run";

/// The record of a run.
#[derive(Debug, Serialize)]
pub(super) struct RunRecord {
    pub format: u32,
    pub run: String,
    pub status: &'static str,
    pub recipe: RecipeRecord,
    pub started: String,
    pub finished: Option<String>,
    pub seconds: f64,
    pub build: super::Build,
    pub machine: Machine,
    pub inputs: Vec<InputRecord>,
    pub nodes: Vec<NodeRecord>,
    pub passes: Vec<PassRecord>,
    pub skipped: Vec<Skipped>,
    pub frames: FramesRecord,
    pub cache: CacheRecord,
    pub memory: MemoryRecord,
    pub results: Vec<Written>,
    pub warnings: Vec<Said>,
    pub error: Option<ErrorRecord>,
}

#[derive(Debug, Serialize)]
pub(super) struct RecipeRecord {
    pub name: String,
    pub summary: String,
    pub blake3: String,
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct Machine {
    pub os: &'static str,
    pub architecture: &'static str,
    pub cores: usize,
    pub threads: usize,
}

/// A step as it ran.
#[derive(Debug, Clone, Serialize)]
pub(super) struct NodeRecord {
    pub step: String,
    pub method: String,
    pub version: u32,
    pub shape: Shape,
    pub contract: String,
    pub plugin: String,
    pub plugin_version: String,
    /// blake3 of the shared library that the method comes from; none for a linked one.
    pub plugin_blake3: Option<String>,
    pub parameters: Parameters,
    pub given: Vec<String>,
    pub facts: Facts,
    /// `port <- step.port` for each link.
    pub links: Vec<String>,
    /// Work in seconds, summed over threads.
    pub seconds: f64,
    pub frames: usize,
    pub sweeps: u32,
    /// Why it ran, or that it did not need to.
    pub why: String,
    /// Hash of all that the result depends on.
    pub key: Option<String>,
    /// Whether an earlier result was taken.
    pub reused: bool,
    pub entries: Vec<Entry>,
}

impl NodeRecord {
    /// What became of it, for those who asked for the run.
    pub fn to_use(&self) -> super::StepUse {
        let (step, method) = (self.step.clone(), self.method.clone());
        super::StepUse { step, method, reused: self.reused, why: self.why.clone() }
    }
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct PassRecord {
    pub source: String,
    pub steps: Vec<String>,
    pub seconds: f64,
    pub sweeps: u32,
    pub frames_read: usize,
    pub bytes_read: u64,
    pub read_seconds: f64,
    pub batch: usize,
}

/// What earlier results were worth.
#[derive(Debug, Clone, Default, Serialize)]
pub(super) struct CacheRecord {
    /// Whether there was a cache.
    pub used: bool,
    /// Results taken.
    pub hits: usize,
    /// Results worked out.
    pub misses: usize,
    pub bytes_read: u64,
    pub bytes_written: u64,
    /// Why nothing more was kept, if so.
    pub trouble: Option<String>,
}

#[derive(Debug, Default, Serialize)]
pub(super) struct FramesRecord {
    pub total: usize,
    /// Frames read and decoded, over all passes and sweeps.
    pub decoded: usize,
    pub used: Option<usize>,
    pub rejected: Option<usize>,
    pub columns: Vec<MainColumns>,
}

#[derive(Debug, Serialize)]
pub(super) struct MemoryRecord {
    pub budget_bytes: u64,
    pub bound: MemoryBound,
    pub peak_bytes: Option<u64>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Said {
    pub step: String,
    pub text: String,
}

#[derive(Debug, Clone, Serialize)]
pub(super) struct ErrorRecord {
    pub step: Option<String>,
    pub kind: &'static str,
    pub message: String,
    pub remedy: Option<String>,
}

impl ErrorRecord {
    pub fn new(fault: &Fault, step: Option<&str>) -> Self {
        let kind = match fault.kind {
            FaultKind::Request => "request",
            FaultKind::Data => "data",
            FaultKind::Resource => "resource",
            FaultKind::Cancelled => "cancelled",
            FaultKind::Internal => "internal",
        };
        Self { step: step.map(Into::into), kind, message: fault.message.clone(), remedy: fault.remedy.clone() }
    }
}

/// The steps of a plan before they ran.
pub(super) fn node_records(plan: &Plan, catalogue: &Catalogue, facts: &[Facts]) -> Vec<NodeRecord> {
    let link = |node: usize| {
        let node = &plan.nodes[node];
        let ports = node.description.inputs.iter().zip(&node.inputs);
        let of_port = |(port, outputs): (&stillair_api::Port, &Vec<crate::plan::OutputRef>)| {
            let name = port.name.clone();
            let one = move |o: &crate::plan::OutputRef| {
                let from = &plan.nodes[o.node];
                format!("{name} <- {}.{}", from.step, from.description.outputs[o.port].name)
            };
            outputs.iter().map(one).collect::<Vec<_>>()
        };
        ports.flat_map(of_port).collect()
    };
    let one = |(index, node): (usize, &crate::plan::PlanNode)| {
        let listed = catalogue.get(&node.description.method);
        NodeRecord {
            step: node.step.clone(),
            method: node.description.method.clone(),
            version: node.description.version,
            shape: node.description.shape,
            contract: node.description.contract.clone(),
            plugin: listed.map(|l| l.plugin.clone()).unwrap_or_default(),
            plugin_version: listed.map(|l| l.plugin_version.clone()).unwrap_or_default(),
            plugin_blake3: listed.and_then(|l| l.file.as_ref()).map(|f| f.blake3.clone()),
            parameters: node.parameters.clone(),
            given: node.given.clone(),
            facts: facts.get(index).map(|f| f.only(&node.description.facts)).unwrap_or_default(),
            links: link(index),
            seconds: 0.0,
            frames: 0,
            sweeps: 0,
            why: NOT_RUN.into(),
            key: None,
            reused: false,
            entries: Vec::new(),
        }
    };
    plan.nodes.iter().enumerate().map(one).collect()
}

/// What recipe, capture and build determine, as one line of JSON for the results.
pub(super) fn provenance(plan: &Plan, inputs: &[InputRecord], build: &super::Build) -> String {
    let captures: BTreeMap<String, &str> =
        inputs.iter().enumerate().map(|(i, r)| (format!("{}-{}", r.input, i + 1), r.blake3.as_str())).collect();
    let step = |node: &crate::plan::PlanNode| {
        format!("{}: {} {}", node.step, node.description.method, node.description.version)
    };
    let made = plan.nodes.iter().filter(|node| node.description.shape != stillair_api::Shape::Sink);
    serde_json::json!({
        "program": "stillair",
        "version": build.version,
        "build": build.executable,
        "instruction_set": build.instruction_set,
        "recipe": plan.name,
        "recipe_blake3": blake3::hash(plan.recipe.as_bytes()).to_hex().as_str(),
        "captures_blake3": captures,
        "steps": made.map(step).collect::<Vec<_>>(),
    })
    .to_string()
}

/// A time as the record writes it.
pub(super) fn instant(time: Timestamp) -> String {
    time.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").to_string()
}

/// Peak resident memory of this process in bytes, where the system tells.
pub(super) fn peak_bytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    line.split_whitespace().nth(1)?.parse::<u64>().ok().map(|kib| kib * 1024)
}
