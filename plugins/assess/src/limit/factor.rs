//! What one factor costs, and how that is told.

use stillair_api::{Entry, Record};

/// Contrast at half the cut-off that must be left for a factor not to limit: Marechal's 0.8 (Born & Wolf, Principles of
/// Optics, 9.3: an image with a Strehl ratio of 0.8 is as good as perfect).
pub const LEFT: f64 = 0.8;

/// Cost of leaving [`LEFT`], dB: 1.94.
pub fn tolerance_db() -> f64 {
    cost_db(LEFT)
}

/// Cost in dB of a transfer: signal to noise goes with its square.
pub fn cost_db(transfer: f64) -> f64 {
    -20.0 * libm::log10(transfer.clamp(1e-3, 1.0))
}

/// Cost in dB of a share of the light or of the frames that is left: noise power goes with it.
pub fn light_db(left: f64) -> f64 {
    -10.0 * libm::log10(left.clamp(1e-4, 1.0))
}

/// What is known of a factor.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    /// The data cannot tell, and why.
    No(String),
    /// A number held against a threshold.
    Yes(Finding),
}

/// A number held against a threshold.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// The measured number.
    pub value: f64,
    /// Its unit.
    pub unit: &'static str,
    /// What it is held against.
    pub threshold: f64,
    /// Whether it lies on the wrong side.
    pub beyond: bool,
    /// Signal to noise at half the cut-off that would be gained without it, dB.
    pub cost_db: f64,
    /// The evidence in words.
    pub says: String,
    /// What to change next time; empty where nothing.
    pub advice: String,
}

/// One factor.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    /// Name, kebab case.
    pub name: &'static str,
    /// What is known of it.
    pub told: Told,
}

impl Factor {
    /// A factor that cannot be told.
    pub fn untold(name: &'static str, why: impl Into<String>) -> Self {
        Self { name, told: Told::No(why.into()) }
    }

    /// A factor with its finding.
    pub fn told(name: &'static str, finding: Finding) -> Self {
        Self { name, told: Told::Yes(finding) }
    }

    fn cost(&self) -> f64 {
        match &self.told {
            Told::Yes(finding) => finding.cost_db.max(0.0),
            Told::No(_) => -1.0,
        }
    }

    /// Whether it lies beyond its threshold.
    pub fn beyond(&self) -> bool {
        matches!(&self.told, Told::Yes(finding) if finding.beyond)
    }
}

/// Name of what limits a picture that nothing else does.
pub const TELESCOPE: &str = "telescope";

/// Sorts factors by cost, the largest first: those beyond their thresholds, the others, those that cannot be told.
pub fn order(factors: &mut [Factor]) {
    factors.sort_by(|a, b| b.beyond().cmp(&a.beyond()).then(b.cost().total_cmp(&a.cost())));
}

/// The record: the one thing first, then every factor. `gain_of` tells what share of resolution a cost in dB stands
/// for, where that is known. `judged` is whether the picture's blur or noise could be told at all.
pub fn record(factors: &[Factor], gain_of: &dyn Fn(f64) -> Option<f64>, judged: bool) -> Record {
    let mut record = Record::default();
    let first = factors.first().filter(|f| f.beyond());
    let (name, sentence) = match first {
        Some(Factor { name, told: Told::Yes(finding) }) => {
            let gain = gain_of(finding.cost_db)
                .filter(|g| *g >= 0.005)
                .map_or_else(String::new, |g| format!(", about {:.0} % of the resolution", 100.0 * g));
            (*name, format!("{} ({:.1} dB{gain})", finding.says, finding.cost_db))
        }
        _ if judged => (TELESCOPE, "nothing stands out: this is close to what the telescope can show".to_string()),
        _ => {
            ("unknown", "the data do not tell: a session file with telescope and camera lets it be judged".to_string())
        }
    };
    record.entries.push(Entry::text("limiting-factor", name));
    record.entries.push(Entry::text("limit-summary", sentence));
    let beyond: Vec<&str> = factors.iter().filter(|f| f.beyond()).map(|f| f.name).collect();
    record.entries.push(Entry::text("beyond-threshold", beyond.join(", ")));
    for factor in factors {
        match &factor.told {
            Told::No(why) => record.entries.push(Entry::text(&format!("untold-{}", factor.name), why.clone())),
            Told::Yes(finding) => {
                record.entries.push(Entry::Verdict {
                    name: format!("limit-{}", factor.name),
                    value: finding.value,
                    unit: finding.unit.into(),
                    threshold: finding.threshold,
                    text: finding.says.clone(),
                });
                record.entries.push(Entry::number(
                    &format!("cost-{}", factor.name),
                    finding.cost_db.max(0.0),
                    "dB",
                    "signal to noise at half the cut-off that would be gained without it",
                ));
                if let Some(gain) = gain_of(finding.cost_db).filter(|g| *g >= 0.005) {
                    let help = "expected gain in resolution without it";
                    record.entries.push(Entry::number(&format!("gain-{}", factor.name), 100.0 * gain, "%", help));
                }
                if !finding.advice.is_empty() {
                    record.entries.push(Entry::text(&format!("advice-{}", factor.name), finding.advice.clone()));
                }
            }
        }
    }
    record
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(cost_db: f64, beyond: bool) -> Finding {
        Finding { value: 1.0, unit: "", threshold: 1.0, beyond, cost_db, says: "x".into(), advice: String::new() }
    }

    // 20 log10(0.8) = -1.9382, 10 log10(0.5) = -3.0103.
    #[test]
    fn decibels() {
        assert!((tolerance_db() - 1.9382).abs() < 1e-4);
        assert!((light_db(0.5) - 3.0103).abs() < 1e-4);
    }

    #[test]
    fn the_dearest_beyond_its_threshold_comes_first_and_the_untold_last() {
        let mut list = vec![
            Factor::untold("collimation", "no star"),
            Factor::told("noise", finding(1.0, true)),
            Factor::told("seeing", finding(3.0, false)),
            Factor::told("focus", finding(2.0, true)),
        ];
        order(&mut list);
        assert_eq!(list.iter().map(|f| f.name).collect::<Vec<_>>(), ["focus", "noise", "seeing", "collimation"]);
        let record = record(&list, &|_| None, true);
        assert_eq!(record.entries[0], Entry::text("limiting-factor", "focus"));
    }
}
