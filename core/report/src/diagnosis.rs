//! What limited a run's picture, read from its record.

use std::path::Path;

use serde_json::Value;

use crate::ReportError;
use crate::run::Run;

/// The method whose facts are read.
const METHOD: &str = "assess.limit";

/// What limited a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// Name of the one thing: a factor, `telescope` where nothing else stands out, `unknown` where nothing can be told.
    pub limiting: String,
    /// It in a sentence.
    pub summary: String,
    /// The factors that could be judged: those beyond their thresholds by cost, then the others by cost.
    pub factors: Vec<FactorCost>,
    /// The factors that could not be judged, and why.
    pub untold: Vec<(String, String)>,
    /// Altitude of the target, degrees, if known.
    pub altitude_deg: Option<f64>,
    /// Exposure of a frame, ms, if known.
    pub exposure_ms: Option<f64>,
    /// Of a run of several clips: what limited each and what that cost, dB. The rest is then that of the clip in the
    /// middle of those with the most frequent limit.
    pub clips: Vec<(String, f64)>,
}

impl Diagnosis {
    /// The verdict in one line.
    pub fn line(&self) -> String {
        match self.limiting.as_str() {
            "unknown" => format!("what limited the picture, {}", self.summary),
            limiting => format!("limited by {limiting}: {}", self.summary),
        }
    }
}

/// A factor that was judged.
#[derive(Debug, Clone, PartialEq)]
pub struct FactorCost {
    /// Its name, words apart.
    pub name: String,
    /// The measured number.
    pub value: f64,
    /// Its unit.
    pub unit: String,
    /// What it is held against.
    pub threshold: f64,
    /// Whether it is beyond that.
    pub beyond: bool,
    /// Signal to noise at half the cut-off that would be gained without it, dB.
    pub cost_db: f64,
    /// Resolution that would be gained, %, if known.
    pub gain_percent: Option<f64>,
    /// The evidence in words.
    pub says: String,
    /// What to change next time, if anything.
    pub advice: Option<String>,
}

/// What limited the picture of a run folder; `None` if its recipe did not ask.
///
/// # Errors
/// If the folder has no readable `run.json`.
pub fn diagnosis(folder: &Path) -> Result<Option<Diagnosis>, ReportError> {
    Ok(of_run(&Run::read(folder)?))
}

/// The same of a record that is read already, such as `run.json` as a whole.
#[must_use]
pub fn diagnosis_of_record(record: &Value) -> Option<Diagnosis> {
    let nodes = record["nodes"].as_array()?.iter().filter(|n| n["method"] == METHOD);
    typical(nodes.filter_map(|n| of_entries(n["entries"].as_array()?)).collect())
}

pub(crate) fn of_run(run: &Run) -> Option<Diagnosis> {
    typical(run.nodes.iter().filter(|n| n.method == METHOD).filter_map(|n| of_entries(&n.entries)).collect())
}

/// The diagnosis that stands for those of several clips.
fn typical(mut told: Vec<Diagnosis>) -> Option<Diagnosis> {
    if told.len() < 2 {
        return told.pop();
    }
    let cost = |d: &Diagnosis| d.factors.first().filter(|f| f.beyond).map_or(0.0, |f| f.cost_db);
    let clips: Vec<(String, f64)> = told.iter().map(|d| (d.limiting.clone(), cost(d))).collect();
    let weight = |limit: &str| {
        let own = clips.iter().filter(|c| c.0 == limit);
        (own.clone().count(), own.map(|c| c.1).sum::<f64>())
    };
    let most = clips.iter().max_by(|a, b| {
        let (a, b) = (weight(&a.0), weight(&b.0));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    })?;
    told.retain(|d| d.limiting == most.0);
    told.sort_by(|a, b| cost(a).total_cmp(&cost(b)));
    let middle = told.len() / 2;
    Some(Diagnosis { clips: clips.clone(), ..told.swap_remove(middle) })
}

fn of_entries(entries: &[Value]) -> Option<Diagnosis> {
    let named = |kind: &str, name: &str| entries.iter().find(|e| e["kind"] == kind && e["name"] == name);
    let text = |name: &str| named("text", name).and_then(|e| e["value"].as_str()).map(str::to_string);
    let number = |name: &str| named("number", name).and_then(|e| e["value"].as_f64());
    let beyond = text("beyond-threshold").unwrap_or_default();
    let beyond: Vec<&str> = beyond.split(", ").collect();
    let factor = |entry: &Value| -> Option<FactorCost> {
        let name = entry["name"].as_str()?.strip_prefix("limit-")?;
        (entry["kind"] == "verdict").then_some(())?;
        Some(FactorCost {
            name: name.replace('-', " "),
            value: entry["value"].as_f64()?,
            unit: entry["unit"].as_str().unwrap_or_default().to_string(),
            threshold: entry["threshold"].as_f64()?,
            beyond: beyond.contains(&name),
            cost_db: number(&format!("cost-{name}")).unwrap_or(0.0),
            gain_percent: number(&format!("gain-{name}")),
            says: entry["text"].as_str().unwrap_or_default().to_string(),
            advice: text(&format!("advice-{name}")),
        })
    };
    let untold = |entry: &Value| -> Option<(String, String)> {
        let name = entry["name"].as_str()?.strip_prefix("untold-")?;
        Some((name.replace('-', " "), entry["value"].as_str()?.to_string()))
    };
    Some(Diagnosis {
        limiting: text("limiting-factor")?.replace('-', " "),
        summary: text("limit-summary")?,
        factors: entries.iter().filter_map(factor).collect(),
        untold: entries.iter().filter_map(untold).collect(),
        altitude_deg: number("altitude"),
        exposure_ms: number("exposure"),
        clips: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_record_tells_its_factors_in_order() {
        let record = json!({"nodes": [{"method": "stack.mean", "entries": []}, {"method": "assess.limit", "entries": [
            {"kind": "text", "name": "limiting-factor", "value": "exposure-time"},
            {"kind": "text", "name": "limit-summary", "value": "too long (3.0 dB)"},
            {"kind": "text", "name": "beyond-threshold", "value": "exposure-time, noise"},
            {"kind": "verdict", "name": "limit-exposure-time", "value": 4.0, "unit": "x", "threshold": 3.0, "text": "long"},
            {"kind": "number", "name": "cost-exposure-time", "value": 3.0, "unit": "dB", "help": ""},
            {"kind": "text", "name": "advice-exposure-time", "value": "shorter"},
            {"kind": "verdict", "name": "limit-window", "value": 2.0, "unit": "x", "threshold": 1.1, "text": "fits"},
            {"kind": "text", "name": "untold-collimation", "value": "no star"},
        ]}]});
        let told = diagnosis_of_record(&record).unwrap();
        assert_eq!(told.limiting, "exposure time");
        assert_eq!(
            told.factors.iter().map(|f| (f.name.as_str(), f.beyond)).collect::<Vec<_>>(),
            [("exposure time", true), ("window", false)]
        );
        assert_eq!(told.factors[0].advice.as_deref(), Some("shorter"));
        assert_eq!(told.untold, [("collimation".to_string(), "no star".to_string())]);
        assert_eq!(diagnosis_of_record(&json!({"nodes": []})), None);
    }

    #[test]
    fn the_clip_in_the_middle_stands_for_several() {
        let clip = |limit: &str, cost: f64| {
            json!({"method": "assess.limit", "entries": [
                {"kind": "text", "name": "limiting-factor", "value": limit},
                {"kind": "text", "name": "limit-summary", "value": format!("{cost} dB")},
                {"kind": "text", "name": "beyond-threshold", "value": limit},
                {"kind": "verdict", "name": format!("limit-{limit}"), "value": 1.0, "unit": "", "threshold": 1.0, "text": ""},
                {"kind": "number", "name": format!("cost-{limit}"), "value": cost},
            ]})
        };
        let nodes = [clip("seeing", 9.0), clip("noise", 20.0), clip("seeing", 3.0), clip("seeing", 4.0)];
        let told = diagnosis_of_record(&json!({"nodes": nodes})).unwrap();
        assert_eq!((told.limiting.as_str(), told.summary.as_str()), ("seeing", "4 dB"));
        assert_eq!(told.clips.len(), 4);
        assert_eq!(told.clips[1], ("noise".to_string(), 20.0));
    }
}
