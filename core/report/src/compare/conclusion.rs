//! What the numbers of a comparison allow to say, and what they do not.

use super::measures::Unit;
use super::told::Told;
use super::{Measure, Row, one_for_all, one_result};

/// A comparison's conclusion.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Conclusion {
    /// Who is the best, or why nobody is.
    pub words: String,
    /// Where the ranking measure is one for all: what differs instead.
    pub differences: Vec<String>,
    /// What the numbers do not say.
    pub caution: Option<&'static str>,
}

impl Conclusion {
    /// Looks at the ranks.
    pub fn of(rows: &[Row], rank: Measure, unit: Unit, told: &Told) -> Self {
        if one_for_all(rows, rank) {
            return Self::without_rank(rows, rank, told);
        }
        let best: Vec<&Row> = rows.iter().filter(|row| row.rank == Some(1)).collect();
        let ranked = rows.iter().filter(|row| row.rank.is_some()).count();
        let by = format!("ranked by the {}", rank.words());
        let is_best = if rank == Measure::Resolution { "is the best" } else { "has the least" };
        let words = match (ranked, best.as_slice()) {
            (0, _) => format!("not ranked: no run has a {}", rank.words()),
            (1, [only]) => format!("{by}: only {} could be measured", told.label(only, rows)),
            (n, best) if best.len() == n => format!("{by}: no difference between the runs"),
            (_, [best]) => format!("{by}: {} {is_best}", told.label(best, rows)),
            (_, best) => {
                let names: Vec<String> = best.iter().map(|row| row.number.to_string()).collect();
                format!("{by}: no difference between the best, {}", names.join(", "))
            }
        };
        let caution = (ranked > 1).then(|| caution(rows, rank)).flatten();
        Self { words: format!("{words}{}", unit.caution()), differences: Vec::new(), caution }
    }

    fn without_rank(rows: &[Row], rank: Measure, told: &Told) -> Self {
        let why = match rank {
            Measure::Resolution => {
                "all runs share one stack, and the resolution is that of the stack: it cannot rank what was varied"
            }
            Measure::Noise => "all runs share one picture before the writer: its noise cannot rank what was varied",
            Measure::Overshoot => "all runs share one sharpening: its rim cannot rank what was varied",
        };
        let millionths = |row: &Row| Some(1e6 * row.measures.as_ref()?.noise?.value);
        let rim = |row: &Row| row.measures.as_ref()?.limb_overshoot_percent;
        let misfit = |row: &Row| row.measures.as_ref()?.reblur;
        let mut differences = Vec::new();
        if rank == Measure::Resolution {
            differences.extend(span(rows, told, "noise of the finest detail", "millionths of white", 1, &millionths));
            differences.extend(span(rows, told, "bright rim", "%", 2, &rim));
            differences.extend(span(rows, told, "misfit to the stack", "", 2, &misfit));
        }
        let caution = match differences.as_slice() {
            [] => "look at the pictures",
            _ => {
                "look at the pictures: less noise or rim is not simply better, since what sharpens less has less of both \
                 and shows less; a misfit far above 1 is a warning"
            }
        };
        Self { words: format!("not ranked: {why}"), differences, caution: Some(caution) }
    }

    /// In sentences without their full stops.
    pub fn sentences(&self) -> Vec<String> {
        let differences =
            (!self.differences.is_empty()).then(|| format!("what differs: {}", self.differences.join("; ")));
        let more = differences.into_iter().chain(self.caution.map(Into::into));
        std::iter::once(self.words.clone()).chain(more).collect()
    }

    /// In one line.
    pub fn line(&self) -> String {
        self.sentences().join("; ")
    }
}

/// What a ranking does not see.
fn caution(rows: &[Row], rank: Measure) -> Option<&'static str> {
    match rank {
        Measure::Resolution => {
            let shared = |(index, row): (usize, &Row)| rows[..index].iter().any(|other| one_result(other, row, rank));
            let words = "the resolution is that of the stack: of runs that share one, it does not tell which is sharpened better";
            rows.iter().enumerate().any(shared).then_some(words)
        }
        Measure::Noise => {
            Some("beware: noise alone prefers what sharpens less, or keeps more frames however blurred they are")
        }
        Measure::Overshoot => Some("beware: the rim alone prefers what sharpens less"),
    }
}

/// The smallest and the largest of a measure and whose they are; nothing where they do not differ.
fn span(
    rows: &[Row],
    told: &Told,
    what: &str,
    unit: &str,
    digits: usize,
    of: &dyn Fn(&Row) -> Option<f64>,
) -> Option<String> {
    let mut found: Vec<(f64, &Row)> = rows.iter().filter_map(|row| Some((of(row)?, row))).collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let ((low, lowest), (high, highest)) = (found.first()?, found.last()?);
    let (low, high) = (format!("{low:.digits$}"), format!("{high:.digits$}"));
    let name = |row: &Row| told.label(row, rows);
    (low != high).then(|| {
        let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
        format!("{what} from {low} ({}) to {high}{unit} ({})", name(lowest), name(highest))
    })
}
