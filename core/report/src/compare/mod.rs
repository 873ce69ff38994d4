//! Several runs side by side: a table of measures, a contact sheet, and words that say what the numbers allow.
//!
//! All is read from the run folders. One measure ranks. Its uncertainty comes from the half-stacks: two runs whose
//! values lie within twice the uncertainty of their difference are said not to differ. Both may stem from the same
//! frames, whose noise they share, so that this errs towards "no difference". Where all runs share the very result that
//! a measure is taken on, as the stack where only the sharpening was varied, that measure cannot rank, which is said.

mod conclusion;
mod measures;
mod nodes;
mod page;
mod sheet;
mod told;

use std::fs;
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::ReportError;
use conclusion::Conclusion;
use measures::{Measured, Unit};
use told::Told;

/// A difference must be larger than so many standard deviations to be called one (95 % of a normal distribution).
const SIGMAS: f64 = 2.0;

/// What ranks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Where the half-stacks stop agreeing; more is better.
    Resolution,
    /// Noise of the finest detail in the picture; the least first.
    Noise,
    /// Bright rim that sharpening adds to the limb; the least first.
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

    /// What it is taken on.
    fn taken_on(self) -> &'static str {
        match self {
            Self::Resolution => "stack",
            Self::Noise => "picture",
            Self::Overshoot => "sharpening",
        }
    }
}

/// One run of a comparison.
#[derive(Debug, Clone)]
pub struct RunOf {
    /// What is special about it.
    pub name: String,
    /// File name of the clip.
    pub clip: String,
    /// The same in parts, of which every run has as many: the recipe's variant, and a setting for each thing varied.
    pub words: Vec<String>,
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
    #[serde(skip)]
    pub words: Vec<String>,
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
    let told = Told::of(&rows);
    let conclusion = Conclusion::of(&rows, comparison.rank, unit, &told);
    let json = serde_json::json!({
        "format": 1,
        "recipe": comparison.recipe,
        "ranked_by": comparison.rank.words(),
        "unit": unit.name(),
        "more_is_better": comparison.rank.more_is_better(),
        "sigmas": SIGMAS,
        "runs": rows,
        "one_for_all": one_for_all(&rows, comparison.rank),
        "conclusion": conclusion.line(),
        "contact_sheet": sheet.as_ref().map(|_| "contact-sheet.png"),
    });
    let text = serde_json::to_vec_pretty(&json).unwrap_or_default();
    if let Some(sheet) = &sheet {
        put(folder, "contact-sheet.png", &sheet.png)?;
    }
    put(folder, "compare.json", &text)?;
    let page = page::page(comparison, &rows, unit, sheet.as_ref(), &conclusion, &told);
    put(folder, "compare.html", page.as_bytes())?;
    let mut lines = page::lines(&rows, unit, &told);
    lines.extend(conclusion.sentences());
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

/// Whether all runs share the result that the measure is taken on: then it is the same for all by construction.
fn one_for_all(rows: &[Row], rank: Measure) -> bool {
    rows.len() > 1 && rows[1..].iter().all(|row| one_result(&rows[0], row, rank))
}

fn one_result(a: &Row, b: &Row, rank: Measure) -> bool {
    let key = |row: &Row| row.measures.as_ref().and_then(|m| m.keys.of(rank).map(str::to_string));
    key(a).is_some() && key(a) == key(b)
}

fn rows(comparison: &Comparison, measured: Vec<Option<Measured>>, unit: Unit) -> Vec<Row> {
    let rank = comparison.rank;
    let ranked: Vec<Option<Uncertain>> =
        measured.iter().map(|m| m.as_ref().and_then(|m| m.ranked(rank, unit))).collect();
    let ranks = ranks(&ranked, rank.more_is_better());
    let first = ranked.first().copied().flatten();
    let runs = comparison.runs.iter().zip(measured).zip(ranked.iter().zip(ranks));
    let row = |(index, ((run, measures), (ranked, rank))): (usize, ((&RunOf, _), (&Option<Uncertain>, _)))| Row {
        number: index + 1,
        name: run.name.clone(),
        words: run.words.clone(),
        clip: run.clip.clone(),
        settings: run.settings.clone(),
        folder: run.folder.clone(),
        failure: run.failure.clone(),
        measures,
        ranked: *ranked,
        verdict: String::new(),
        difference: first.zip(*ranked).filter(|_| index > 0).map(|(first, own)| minus(own, first)),
        rank,
    };
    let mut rows: Vec<Row> = runs.enumerate().map(row).collect();
    let nothing_to_rank = one_for_all(&rows, rank);
    for index in 0..rows.len() {
        let same = index > 0 && one_result(&rows[0], &rows[index], rank);
        let (run, row) = (&comparison.runs[index], &rows[index]);
        rows[index].verdict = match same {
            true => format!("the same {} as the first", rank.taken_on()),
            false => verdict(index, run, row.ranked, row.difference, rank),
        };
        if same {
            // One result has one value: there is no difference that could be uncertain.
            rows[index].difference = None;
        }
        if nothing_to_rank {
            rows[index].rank = None;
        }
    }
    rows
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
            let known = if difference.sigma.is_some() { "" } else { " (uncertainty not known)" };
            let word = match (rank, difference.value > 0.0) {
                (Measure::Resolution, true) => "better",
                (Measure::Resolution, false) => "worse",
                // Less noise, or less of a rim, is not simply better.
                (_, true) => "more",
                (_, false) => "less",
            };
            format!("{word}{known}")
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

#[cfg(test)]
mod tests;
