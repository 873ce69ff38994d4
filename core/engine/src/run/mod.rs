//! Plan to pictures: opens the inputs, streams frames through fused nodes, adds in frame order, writes the run folder.
//!
//! Everything runs on one pool. A batch of frames is worked on in parallel, then its items are added in the order of
//! their frames, so that neither the number of threads nor the size of a batch can change a bit of the result.

mod budget;
mod calibration;
mod context;
mod crate_metadata;
mod folder;
mod inputs;
mod output;
mod pass;
mod record;
mod report_tables;
mod reuse;
mod runner;
mod store;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde::Serialize;
use stillair_api::{Facts, Fault};

use crate::cache::{Cache, Memo};

pub use budget::{Budget, MemoryBound, memory_bound};
pub use folder::{RunListing, list_runs};
pub use runner::{keys, run};

/// A file for a recipe's input and what is known of it beside its own header.
#[derive(Debug, Clone)]
pub struct InputFile {
    /// Where it lies.
    pub path: PathBuf,
    /// Facts from the command line and the session file.
    pub facts: Facts,
}

/// What is to be run on what.
#[derive(Debug, Clone)]
pub struct RunRequest {
    /// Files by recipe input.
    pub inputs: BTreeMap<String, Vec<InputFile>>,
    /// Folder in which the run folder is made.
    pub out: PathBuf,
    /// Worker threads; `None` = one per core.
    pub jobs: Option<usize>,
    /// Memory that the run may take.
    pub budget: Budget,
    /// What runs.
    pub build: Build,
    /// Where results are kept and taken from; `None` = everything runs.
    pub cache: Option<Arc<Cache>>,
}

/// The program that runs, as the record names it.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Build {
    /// Version of the program.
    pub version: String,
    /// blake3 of the executable, or the program's version where it cannot be read.
    pub executable: String,
    /// Instruction set that the transforms use.
    pub instruction_set: String,
}

impl Build {
    /// The running executable; its hash may be known already.
    pub fn of_this_program(version: &str, instruction_set: &str, memo: Option<&Memo>) -> Self {
        let hash = std::env::current_exe().ok().and_then(|path| inputs::hash_input(&path, memo, &|| false).ok());
        let executable = hash.map_or_else(|| version.to_string(), |(_, hash)| hash);
        Self { version: version.into(), executable, instruction_set: instruction_set.into() }
    }
}

/// A flag that asks a run to stop.
#[derive(Debug, Clone, Default)]
pub struct CancelFlag(Arc<AtomicBool>);

impl CancelFlag {
    /// Asks the run to stop.
    pub fn set(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    /// Whether the run was asked to stop.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// What happens during a run.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// The run folder is known.
    Started {
        /// The recipe's name.
        recipe: String,
        /// Name the run folder will have.
        run: String,
    },
    /// A clip is about to be read.
    PassStarted {
        /// Number of the pass, from 1.
        pass: usize,
        /// Number of passes.
        passes: usize,
        /// Steps worked on, in words.
        what: String,
        /// Frames of the clip.
        frames: usize,
        /// Sweep of this pass, from 1.
        sweep: u32,
    },
    /// Frames done in the running sweep.
    Progress {
        /// Frames done.
        done: usize,
        /// Frames in all.
        total: usize,
    },
    /// Something worth knowing.
    Note {
        /// The step or input.
        step: String,
        /// In words.
        text: String,
    },
    /// Something odd.
    Warning {
        /// The step or input.
        step: String,
        /// In words.
        text: String,
    },
    /// The run folder stands.
    Finished {
        /// Where it is.
        folder: PathBuf,
    },
}

/// Takes events; called from any thread.
pub trait Events: Sync {
    /// One event.
    fn event(&self, event: &Event);
}

/// Events that nobody wants.
#[derive(Debug, Clone, Copy, Default)]
pub struct Silent;

impl Events for Silent {
    fn event(&self, _event: &Event) {}
}

/// Makes the page of a run folder before it is renamed into place; gets the folder, gives the error's words.
pub type PageMaker<'a> = &'a (dyn Fn(&Path) -> Result<(), String> + Sync);

/// A run that is done.
#[derive(Debug, Clone, PartialEq)]
pub struct Finished {
    /// The run folder.
    pub folder: PathBuf,
    /// Files in `results/`, relative to the folder.
    pub results: Vec<PathBuf>,
    /// Frames of all clips.
    pub frames_total: usize,
    /// Frames that went into the main stack, if the recipe has one.
    pub frames_used: Option<usize>,
    /// Seconds from start to end.
    pub seconds: f64,
    /// Peak resident memory of the process in bytes, where the system tells.
    pub peak_bytes: Option<u64>,
    /// Warnings of all steps.
    pub warnings: Vec<String>,
    /// For each step, in the order of the plan, whether it ran and why.
    pub steps: Vec<StepUse>,
}

/// What became of a step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct StepUse {
    /// The step.
    pub step: String,
    /// Its method.
    pub method: String,
    /// Whether an earlier result was taken.
    pub reused: bool,
    /// Why it ran, or that it did not need to, in words.
    pub why: String,
}

/// A run that is not.
#[derive(Debug, Clone, PartialEq)]
pub struct Failed {
    /// Why.
    pub fault: Fault,
    /// The step at which it stopped, if any.
    pub step: Option<String>,
    /// The folder with its record and tables, if one could be made.
    pub folder: Option<PathBuf>,
}
