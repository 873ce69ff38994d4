//! `run.json` as the page needs it.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use serde::Deserialize;
use serde_json::Value;

use crate::ReportError;

/// The record of a run; fields that the page does not show are left out, missing ones are empty.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Run {
    pub run: String,
    pub status: String,
    pub recipe: Recipe,
    pub started: String,
    pub seconds: f64,
    pub build: Build,
    pub machine: Machine,
    pub inputs: Vec<Input>,
    pub nodes: Vec<Step>,
    pub passes: Vec<Pass>,
    pub skipped: Vec<Skipped>,
    pub frames: Frames,
    pub memory: Memory,
    pub results: Vec<ResultFile>,
    pub warnings: Vec<Said>,
    pub error: Option<Problem>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Recipe {
    pub name: String,
    pub summary: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Build {
    pub version: String,
    pub instruction_set: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Machine {
    pub threads: usize,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Input {
    pub input: String,
    pub file: String,
    pub bytes: u64,
    pub blake3: String,
    pub clip: Value,
    pub facts: BTreeMap<String, Fact>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Fact {
    pub value: Value,
    pub origin: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Step {
    pub step: String,
    pub method: String,
    pub parameters: BTreeMap<String, Value>,
    pub given: Vec<String>,
    pub links: Vec<String>,
    pub seconds: f64,
    pub frames: usize,
    pub sweeps: u32,
    pub why: String,
    pub entries: Vec<Value>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Pass {
    pub steps: Vec<String>,
    pub seconds: f64,
    pub sweeps: u32,
    pub frames_read: usize,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Skipped {
    pub step: String,
    pub why: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Frames {
    pub total: usize,
    pub used: Option<usize>,
    pub rejected: Option<usize>,
    pub columns: Vec<Columns>,
}

/// Names of the columns of a per-frame table that the main stack was made from.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Columns {
    pub file: String,
    pub weight: Option<String>,
    pub grade: Option<String>,
    pub flux: Option<String>,
    pub transparency: Option<String>,
    pub reason: Option<String>,
    pub x_px: Option<String>,
    pub y_px: Option<String>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Memory {
    pub budget_bytes: u64,
    pub peak_bytes: Option<u64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct ResultFile {
    pub file: String,
    pub bytes: u64,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Said {
    pub step: String,
    pub text: String,
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(crate) struct Problem {
    pub message: String,
    pub remedy: Option<String>,
}

impl Run {
    pub fn read(folder: &Path) -> Result<Self, ReportError> {
        let path = folder.join("run.json");
        let text = fs::read_to_string(&path).map_err(|source| ReportError::File { path: path.clone(), source })?;
        serde_json::from_str(&text).map_err(|e| ReportError::Content { path, what: format!("not a run record: {e}") })
    }

    /// A number from the session facts of the first clip.
    pub fn fact(&self, name: &str) -> Option<f64> {
        self.inputs.first()?.facts.get(name)?.value.as_f64()
    }

    /// A text from the session facts of the first clip.
    pub fn fact_text(&self, name: &str) -> Option<&str> {
        self.inputs.first()?.facts.get(name)?.value.as_str()
    }
}
