//! Several runs side by side: a table of measures, a contact sheet, and words that say what the numbers allow.
//!
//! All is read from the run folders. One measure ranks. Its uncertainty comes from the half-stacks: two runs whose
//! values lie within twice the uncertainty of their difference are said not to differ. Both may stem from the same
//! frames, whose noise they share, so that this errs towards "no difference".

mod measures;
mod page;
mod sheet;

use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::ReportError;
use measures::{Measured, Unit};

/// A difference must be larger than so many standard deviations to be called one (95 % of a normal distribution).
const SIGMAS: f64 = 2.0;

/// What ranks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Where the half-stacks stop agreeing; more is better.
    Resolution,
    /// Noise of the finest detail in the picture; less is better.
    Noise,
    /// Bright rim that sharpening adds to the limb; less is better.
    Overshoot,
}

impl Measure {
    fn words(self) -> &'static str {
        match self {
            Self::Resolution => "resolution between the half-stacks",
            Self::Noise => "noise of the finest detail",
            Self::Overshoot => "bright rim added to the limb",
        }
    }

    fn more_is_better(self) -> bool {
        self == Self::Resolution
    }
}

/// One run of a comparison.
#[derive(Debug, Clone)]
pub struct RunOf {
    /// What is special about it.
    pub name: String,
    /// File name of the clip.
    pub clip: String,
    /// Settings on top of the recipe.
    pub settings: Vec<String>,
    /// Its run folder, relative to the comparison's; nothing if it failed.
    pub folder: Option<PathBuf>,
    /// Why it failed, if so.
    pub failure: Option<String>,
}

/// What is compared.
#[derive(Debug, Clone)]
pub struct Comparison {
    /// The recipe.
    pub recipe: String,
    /// What ranks.
    pub rank: Measure,
    /// The runs; the first is what the others are held against.
    pub runs: Vec<RunOf>,
}

/// What was found, for the terminal and for machines.
#[derive(Debug, Clone)]
pub struct Summary {
    /// The content of `compare.json`.
    pub json: serde_json::Value,
    /// The table and its meaning in plain lines.
    pub lines: Vec<String>,
}

/// A value with one standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub(crate) struct Uncertain {
    pub value: f64,
    /// Nothing where it is not known.
    pub sigma: Option<f64>,
}

/// A run with its measures and its place.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Row {
    /// From 1, as on the contact sheet.
    pub number: usize,
    pub name: String,
    pub clip: String,
    pub settings: Vec<String>,
    pub folder: Option<PathBuf>,
    pub failure: Option<String>,
    pub measures: Option<Measured>,
    /// The ranking measure, in the common unit.
    pub ranked: Option<Uncertain>,
    /// That of this run less that of the first.
    pub difference: Option<Uncertain>,
    /// The difference in words.
    pub verdict: String,
    /// 1 is the best; runs that do not differ from the best of their group share its rank.
    pub rank: Option<usize>,
}

/// Writes `compare.json`, `contact-sheet.png` and `compare.html` into the folder of a comparison.
///
/// # Errors
/// If a run folder cannot be read or a file cannot be written.
pub fn write(folder: &Path, comparison: &Comparison) -> Result<Summary, ReportError> {
    let mut measured = Vec::new();
    for run in &comparison.runs {
        measured.push(run.folder.as_ref().map(|own| Measured::read(&folder.join(own))).transpose()?);
    }
    let unit = Unit::common(measured.iter().flatten(), comparison.rank, one_clip(comparison));
    let rows = rows(comparison, measured, unit);
    let sheet = sheet::make(folder, &rows, unit)?;
    let conclusion = conclusion(&rows, comparison.rank, unit);
    let json = serde_json::json!({
        "format": 1,
        "recipe": comparison.recipe,
        "ranked_by": comparison.rank.words(),
        "unit": unit.name(),
        "more_is_better": comparison.rank.more_is_better(),
        "sigmas": SIGMAS,
        "runs": rows,
        "conclusion": conclusion,
        "contact_sheet": sheet.as_ref().map(|_| "contact-sheet.png"),
    });
    let text = serde_json::to_vec_pretty(&json).unwrap_or_default();
    if let Some(sheet) = &sheet {
        put(folder, "contact-sheet.png", &sheet.png)?;
    }
    put(folder, "compare.json", &text)?;
    let page = page::page(comparison, &rows, unit, sheet.as_ref(), &conclusion);
    put(folder, "compare.html", page.as_bytes())?;
    let mut lines = page::lines(&rows, unit);
    lines.push(conclusion);
    Ok(Summary { json, lines })
}

fn put(folder: &Path, name: &str, content: &[u8]) -> Result<(), ReportError> {
    let (path, beside) = (folder.join(name), folder.join(format!("{name}.partial")));
    fs::write(&beside, content)
        .and_then(|()| fs::rename(&beside, &path))
        .map_err(|source| ReportError::File { path: path.clone(), source })
}

fn one_clip(comparison: &Comparison) -> bool {
    comparison.runs.windows(2).all(|pair| pair[0].clip == pair[1].clip)
}

fn rows(comparison: &Comparison, measured: Vec<Option<Measured>>, unit: Unit) -> Vec<Row> {
    let ranked: Vec<Option<Uncertain>> =
        measured.iter().map(|m| m.as_ref().and_then(|m| m.ranked(comparison.rank, unit))).collect();
    let ranks = ranks(&ranked, comparison.rank.more_is_better());
    let first = ranked.first().copied().flatten();
    let runs = comparison.runs.iter().zip(measured).zip(ranked.iter().zip(ranks));
    let row = |(index, ((run, measures), (ranked, rank))): (usize, ((&RunOf, _), (&Option<Uncertain>, _)))| {
        let difference = first.zip(*ranked).filter(|_| index > 0).map(|(first, own)| minus(own, first));
        Row {
            number: index + 1,
            name: run.name.clone(),
            clip: run.clip.clone(),
            settings: run.settings.clone(),
            folder: run.folder.clone(),
            failure: run.failure.clone(),
            measures,
            ranked: *ranked,
            verdict: verdict(index, run, *ranked, difference, comparison.rank),
            difference,
            rank,
        }
    };
    runs.enumerate().map(row).collect()
}

/// The difference; where the uncertainty of one is not known it is taken for exact.
fn minus(a: Uncertain, b: Uncertain) -> Uncertain {
    let sigma = match (a.sigma, b.sigma) {
        (None, None) => None,
        (a, b) => Some(a.unwrap_or(0.0).hypot(b.unwrap_or(0.0))),
    };
    Uncertain { value: a.value - b.value, sigma }
}

/// Whether a difference is larger than its uncertainty allows to be chance; one without uncertainty counts if it is not 0.
fn is_one(difference: Uncertain) -> bool {
    difference.value.abs() > SIGMAS * difference.sigma.unwrap_or(0.0)
}

fn verdict(
    index: usize,
    run: &RunOf,
    ranked: Option<Uncertain>,
    difference: Option<Uncertain>,
    rank: Measure,
) -> String {
    if run.failure.is_some() {
        return "failed".into();
    }
    if ranked.is_none() {
        return "not measured".into();
    }
    if index == 0 {
        return "what the others are held against".into();
    }
    match difference {
        None => "the first was not measured".into(),
        Some(difference) if !is_one(difference) => "no difference".into(),
        Some(difference) => {
            let better = (difference.value > 0.0) == rank.more_is_better();
            let known = if difference.sigma.is_some() { "" } else { " (uncertainty not known)" };
            format!("{}{known}", if better { "better" } else { "worse" })
        }
    }
}

/// Ranks from 1; a run that does not differ from the first of a group belongs to it.
fn ranks(values: &[Option<Uncertain>], more_is_better: bool) -> Vec<Option<usize>> {
    let mut order: Vec<usize> = (0..values.len()).filter(|i| values[*i].is_some_and(|v| v.value.is_finite())).collect();
    let value = |i: usize| values[i].unwrap_or(Uncertain { value: 0.0, sigma: None });
    order.sort_by(|a, b| {
        let (a, b) = (value(*a).value, value(*b).value);
        if more_is_better { b.total_cmp(&a) } else { a.total_cmp(&b) }
    });
    let mut ranks = vec![None; values.len()];
    let (mut head, mut rank) = (None, 0);
    for (position, index) in order.into_iter().enumerate() {
        let same = head.is_some_and(|head| !is_one(minus(value(index), value(head))));
        if !same {
            (head, rank) = (Some(index), position + 1);
        }
        ranks[index] = Some(rank);
    }
    ranks
}

fn conclusion(rows: &[Row], rank: Measure, unit: Unit) -> String {
    let best: Vec<&Row> = rows.iter().filter(|row| row.rank == Some(1)).collect();
    let ranked = rows.iter().filter(|row| row.rank.is_some()).count();
    let label = |row: &Row| format!("{} ({}, {})", row.number, row.name, row.clip);
    let by = format!("ranked by the {}", rank.words());
    let caution = unit.caution();
    let words = match (ranked, best.as_slice()) {
        (0, _) => format!("not ranked: no run has a {}", rank.words()),
        (1, [only]) => format!("{by}: only {} could be measured", label(only)),
        (n, best) if best.len() == n => format!("{by}: no difference between the runs"),
        (_, [best]) => format!("{by}: {} is the best", label(best)),
        (_, best) => {
            let names: Vec<String> = best.iter().map(|row| row.number.to_string()).collect();
            format!("{by}: no difference between the best, {}", names.join(", "))
        }
    };
    format!("{words}{caution}")
}

#[cfg(test)]
mod tests;
