//! The run folder: made beside its place, locked while in the making, renamed when whole.

use std::fs::{self, File};
use std::io::Write;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use stillair_api::{Fault, Outcome};

use super::output::io_fault;

const LOCK: &str = ".lock";
const MAKING: &str = ".making-";

/// How a run ended, as the folder's name tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ending {
    Done,
    Failed,
    Cancelled,
}

/// A run folder in the making.
pub(super) struct RunFolder {
    out: PathBuf,
    name: String,
    making: PathBuf,
    lock: File,
}

impl RunFolder {
    /// Makes `OUT/.making-NAME` with `results/` and `tables/`, and holds its lock.
    pub fn start(out: &Path, recipe: &str, started: Timestamp, tag: &str) -> Outcome<Self> {
        fs::create_dir_all(out).map_err(|e| io_fault(&e, out))?;
        tidy(out);
        let stamp = started.strftime("%Y-%m-%dT%H%MZ").to_string();
        let stem = format!("{stamp}-{recipe}-{tag}");
        let mut name = stem.clone();
        let mut number = 2;
        while ["", "-failed", "-cancelled"].iter().any(|end| out.join(format!("{name}{end}")).exists())
            || out.join(format!("{MAKING}{name}")).exists()
        {
            name = format!("{stem}-{number}");
            number += 1;
        }
        let making = out.join(format!("{MAKING}{name}"));
        for folder in [making.clone(), making.join("results"), making.join("tables")] {
            fs::create_dir(&folder).map_err(|e| io_fault(&e, &folder))?;
        }
        let lock_path = making.join(LOCK);
        let lock = File::create(&lock_path).map_err(|e| io_fault(&e, &lock_path))?;
        lock.try_lock().map_err(|e| io_fault(&e.into(), &lock_path))?;
        Ok(Self { out: out.into(), name, making, lock })
    }

    /// The folder's name when done.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Where files are made.
    pub fn path(&self) -> &Path {
        &self.making
    }

    /// Removes the results, so that a run which is not done leaves none, and has room for its record on a full disk.
    pub fn discard_results(&self) -> Outcome<()> {
        let results = self.making.join("results");
        match fs::remove_dir_all(&results) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(io_fault(&error, &results)),
            _ => Ok(()),
        }
    }

    /// Renames the folder into place; a run that is not done loses its results.
    pub fn finish(self, ending: Ending) -> Outcome<PathBuf> {
        let end = match ending {
            Ending::Done => "",
            Ending::Failed => "-failed",
            Ending::Cancelled => "-cancelled",
        };
        let place = self.out.join(format!("{}{end}", self.name));
        if ending != Ending::Done {
            self.discard_results()?;
        }
        let lock_path = self.making.join(LOCK);
        drop(self.lock);
        fs::remove_file(&lock_path).map_err(|e| io_fault(&e, &lock_path))?;
        fs::rename(&self.making, &place).map_err(|e| io_fault(&e, &place))?;
        Ok(place)
    }
}

/// What killed runs left behind (their lock is free) is renamed to `...-failed`, without results.
fn tidy(out: &Path) {
    let Ok(entries) = fs::read_dir(out) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(run) = name.strip_prefix(MAKING) else { continue };
        let Ok(lock) = File::open(entry.path().join(LOCK)) else { continue };
        if lock.try_lock().is_err() {
            continue;
        }
        let _ = fs::remove_dir_all(entry.path().join("results"));
        let _ = fs::remove_file(entry.path().join(LOCK));
        let record = entry.path().join("run.json");
        if !record.exists()
            && let Ok(mut file) = File::create(&record)
        {
            let _ = writeln!(
                file,
                "{{\"format\": 1, \"run\": \"{run}\", \"status\": \"failed\", \"error\": {{\"message\": \"the program was killed\"}}}}"
            );
        }
        let _ = fs::rename(entry.path(), out.join(format!("{run}-failed")));
    }
}

/// A run folder as listed.
#[derive(Debug, Clone, PartialEq)]
pub struct RunListing {
    /// The folder.
    pub folder: PathBuf,
    /// Its record.
    pub record: serde_json::Value,
}

/// The runs in a folder, oldest first (by name, which begins with the time). A folder that does not exist has none.
///
/// # Errors
/// If the folder cannot be read, or a record is not JSON.
pub fn list_runs(out: &Path) -> Outcome<Vec<RunListing>> {
    if !out.exists() {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    for entry in fs::read_dir(out).map_err(|e| io_fault(&e, out))? {
        let folder = entry.map_err(|e| io_fault(&e, out))?.path();
        let record = folder.join("run.json");
        let hidden = folder.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
        if hidden || !record.is_file() {
            continue;
        }
        let text = fs::read_to_string(&record).map_err(|e| io_fault(&e, &record))?;
        let record = serde_json::from_str(&text)
            .map_err(|e| Fault::data(format!("{}: not a run record: {e}", record.display())))?;
        found.push(RunListing { folder, record });
    }
    found.sort_by(|a, b| a.folder.cmp(&b.folder));
    Ok(found)
}
