//! A run folder turned into a page; a night turned into a picture.
//!
//! The page is one file without a network: pictures are embedded, plots are drawn as SVG with axes, units and words
//! for those who cannot see them. It reads the run folder only (`run.json`, `tables/`, `results/`), never the
//! engine's insides, so that an old run can be shown again.

mod chart;
pub mod compare;
mod diagnosis;
mod document;
mod frames;
mod graph;
mod night;
mod page;
mod picture;
mod run;
mod sections;
mod shelf;
mod timeline;
mod verdict;
mod viewer;

pub use diagnosis::{Diagnosis, FactorCost, diagnosis, diagnosis_of_record};

use std::fs;
use std::path::{Path, PathBuf};

pub use night::NightPicture;
pub use shelf::{Filter, RunCard, pair_page, runs_page, thumbnail};

/// Why a page could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A file of the run folder cannot be read or the page cannot be written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// A file of the run folder is not what it should be.
    #[error("{}: {what}", path.display())]
    Content {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
    },
}

/// Makes `report.html` in a run folder and gives its path.
///
/// # Errors
/// If the folder has no readable `run.json`, a table is not CSV, or the page cannot be written.
pub fn write_report(folder: &Path) -> Result<PathBuf, ReportError> {
    let run = run::Run::read(folder)?;
    let frames = frames::read_all(folder, &run)?;
    let pictures = picture::read_all(folder)?;
    let html = page::page(&run, &frames, &pictures);
    let path = folder.join("report.html");
    let beside = folder.join("report.html.partial");
    fs::write(&beside, html)
        .and_then(|()| fs::rename(&beside, &path))
        .map_err(|source| ReportError::File { path: path.clone(), source })?;
    Ok(path)
}
