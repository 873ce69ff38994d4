//! `stillair runs --trend`: what limited the pictures, by date, altitude and exposure.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde_json::json;
use stillair_report::RunCard;

use crate::arguments::Global;
use crate::failure::Failure;
use crate::{say, serve};

/// Bounds of the classes of altitude, degrees, and of exposure, ms.
pub const ALTITUDES: [f64; 4] = [20.0, 30.0, 45.0, 60.0];
pub const EXPOSURES: [f64; 4] = [5.0, 10.0, 20.0, 50.0];

/// Class of a number: `20 to 30`.
pub fn class(value: Option<f64>, bounds: &[f64]) -> String {
    let Some(value) = value else { return "not known".into() };
    match bounds.iter().position(|b| value < *b) {
        Some(0) => format!("below {}", bounds[0]),
        Some(i) => format!("{} to {}", bounds[i - 1], bounds[i]),
        None => format!("{} and above", bounds[bounds.len() - 1]),
    }
}

/// Counts of limiting factors by class, in the order of the classes.
fn counts(runs: &[RunCard], key: impl Fn(&RunCard) -> (usize, String)) -> Vec<(String, BTreeMap<String, usize>)> {
    let mut found: BTreeMap<(usize, String), BTreeMap<String, usize>> = BTreeMap::new();
    for run in runs {
        *found.entry(key(run)).or_default().entry(run.limiting.clone()).or_default() += 1;
    }
    found.into_iter().map(|((_, class), counts)| (class, counts)).collect()
}

fn place(value: Option<f64>, bounds: &[f64]) -> usize {
    value.map_or(usize::MAX, |v| bounds.iter().filter(|b| v >= **b).count())
}

/// Tells it.
pub fn trend(global: &Global) -> Result<(), Failure> {
    let runs: Vec<RunCard> =
        serve::cards(&global.out).into_iter().filter(|r| r.status == "done" && !r.limiting.is_empty()).collect();
    if global.json {
        for run in &runs {
            say::json(&json!({
                "event": "limit", "run": run.name, "day": run.day(), "target": run.target, "recipe": run.recipe,
                "limiting_factor": run.limiting, "altitude_deg": run.altitude_deg, "exposure_ms": run.exposure_ms,
            }));
        }
        return Ok(());
    }
    if runs.is_empty() {
        say::out(&format!("no run in {} says what limited it", global.out.display()));
        return Ok(());
    }
    say::out(&words(&runs));
    Ok(())
}

fn words(runs: &[RunCard]) -> String {
    let mut text = String::new();
    let tables = [
        ("night", counts(runs, |r| (0, r.day().to_string()))),
        ("altitude, degrees", counts(runs, |r| (place(r.altitude_deg, &ALTITUDES), class(r.altitude_deg, &ALTITUDES)))),
        ("exposure, ms", counts(runs, |r| (place(r.exposure_ms, &EXPOSURES), class(r.exposure_ms, &EXPOSURES)))),
    ];
    for (title, table) in tables {
        let _ = writeln!(text, "{title:20} limited by");
        for (class, counts) in table {
            let mut list: Vec<(&String, &usize)> = counts.iter().collect();
            list.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
            let list: Vec<String> = list.iter().map(|(factor, n)| format!("{factor} {n}")).collect();
            let _ = writeln!(text, "  {class:18} {}", list.join(", "));
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_stand_in_their_order_and_the_unknown_last() {
        let run = |limiting: &str, altitude_deg: Option<f64>| RunCard {
            limiting: limiting.into(),
            started: "2031-05-02T21:04:00.000Z".into(),
            altitude_deg,
            ..RunCard::default()
        };
        let runs =
            [run("seeing", None), run("seeing", Some(50.0)), run("dispersion", Some(19.9)), run("noise", Some(20.0))];
        let text = words(&runs);
        let at = |word: &str| text.find(word).unwrap_or_else(|| panic!("{word} in\n{text}"));
        assert!(at("below 20") < at("20 to 30") && at("20 to 30") < at("45 to 60") && at("45 to 60") < at("not known"));
        assert!(text.contains("2031-05-02         seeing 2, dispersion 1, noise 1"), "{text}");
    }
}
