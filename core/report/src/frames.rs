//! The per-frame tables of a run.

use std::path::Path;

use crate::ReportError;
use crate::run::{Columns, Run};

/// What the page plots of each frame of a clip; missing numbers are NaN.
#[derive(Debug, Default)]
pub(crate) struct ClipFrames {
    pub time_s: Vec<f64>,
    pub weight: Vec<f64>,
    pub grade: Vec<f64>,
    pub flux: Vec<f64>,
    pub x_px: Vec<f64>,
    pub y_px: Vec<f64>,
    /// Why a frame was rejected; empty = kept.
    pub reason: Vec<String>,
    /// Name of the grade.
    pub grade_name: String,
}

/// Reads the tables that the record names.
pub(crate) fn read_all(folder: &Path, run: &Run) -> Result<Vec<ClipFrames>, ReportError> {
    run.frames.columns.iter().map(|columns| read(folder, columns)).collect()
}

fn read(folder: &Path, columns: &Columns) -> Result<ClipFrames, ReportError> {
    let path = folder.join(&columns.file);
    let broken = |e: csv::Error| ReportError::Content { path: path.clone(), what: e.to_string() };
    let mut reader = csv::Reader::from_path(&path).map_err(broken)?;
    let header = reader.headers().map_err(broken)?.clone();
    let position = |name: &Option<String>| name.as_ref().and_then(|n| header.iter().position(|h| h == n));
    let time = header.iter().position(|h| h == "time_s");
    let [weight, grade, flux, x, y, reason] =
        [&columns.weight, &columns.grade, &columns.flux, &columns.x_px, &columns.y_px, &columns.reason].map(position);
    let mut frames = ClipFrames { grade_name: columns.grade.clone().unwrap_or_default(), ..ClipFrames::default() };
    for record in reader.records() {
        let record = record.map_err(broken)?;
        let number =
            |at: Option<usize>| at.and_then(|i| record.get(i)).and_then(|s| s.parse().ok()).unwrap_or(f64::NAN);
        frames.time_s.push(number(time));
        frames.weight.push(number(weight));
        frames.grade.push(number(grade));
        frames.flux.push(number(flux));
        frames.x_px.push(number(x));
        frames.y_px.push(number(y));
        frames.reason.push(reason.and_then(|i| record.get(i)).unwrap_or_default().to_string());
    }
    Ok(frames)
}
