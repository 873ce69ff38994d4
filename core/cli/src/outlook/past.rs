//! What limited earlier pictures of a target at such an altitude and exposure, and what that lets one plan for.
//!
//! Runs are classed as `stillair runs --trend` does. Little is said of few: fewer than three runs, or runs of one night
//! only, are told but not read; a factor is planned for if it limited more than half of them.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

use serde::Serialize;
use stillair_report::RunCard;
use stillair_sky::Body;
use stillair_sky::outlook::Outlook;

use super::words::wrapped;
use crate::serve;
use crate::trend::{ALTITUDES, EXPOSURES, class};

/// Fewest runs and nights that anything is read from (common practice, no source).
const LEAST: (usize, usize) = (3, 2);

/// What earlier runs of a target say.
#[derive(Debug, Serialize)]
pub struct Past {
    /// The target.
    pub target: String,
    /// Its highest altitude in the dark of the nights asked for, degrees.
    pub altitude_deg: f64,
    /// Which runs were counted: their altitudes and exposures.
    pub altitudes: String,
    pub exposures: String,
    pub runs: usize,
    pub nights: usize,
    /// What limited them, most frequent first.
    pub limited_by: Vec<(String, usize)>,
    /// The factor to plan for, if the runs say one.
    pub plan_for: Option<String>,
    /// Other altitudes at which another factor limited more than half of enough runs.
    pub elsewhere: Vec<String>,
    /// It in words.
    pub text: String,
}

/// A set of runs.
struct Count {
    runs: usize,
    nights: usize,
    limits: Vec<(String, usize)>,
}

impl Count {
    fn of<'r>(runs: impl Iterator<Item = &'r RunCard>) -> Self {
        let mut limits: BTreeMap<&str, usize> = BTreeMap::new();
        let mut nights = BTreeSet::new();
        for run in runs {
            *limits.entry(&run.limiting).or_default() += 1;
            nights.insert(run.day());
        }
        let mut limits: Vec<(String, usize)> = limits.into_iter().map(|(k, n)| (k.to_string(), n)).collect();
        limits.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
        Self { runs: limits.iter().map(|l| l.1).sum(), nights: nights.len(), limits }
    }

    fn is_enough(&self) -> bool {
        self.runs >= LEAST.0 && self.nights >= LEAST.1
    }

    /// What limited more than half of them.
    fn main(&self) -> Option<&(String, usize)> {
        self.limits.first().filter(|first| self.is_enough() && 2 * first.1 > self.runs)
    }
}

/// Runs that say what limited them, of targets that are known.
pub fn read(folder: &Path) -> Vec<RunCard> {
    let judged = |r: &RunCard| r.status == "done" && !r.limiting.is_empty() && r.limiting != "unknown";
    serve::cards(folder).into_iter().filter(judged).collect()
}

/// What the runs say of each target that is high enough in one of the nights.
pub fn past(got: &Outlook, runs: &[RunCard]) -> Vec<Past> {
    let highest = |body: Body| {
        let targets = got.nights.iter().flat_map(|night| &night.targets).filter(|target| target.body == body);
        targets.filter_map(|t| t.best.as_ref()).map(|best| best.horizon.altitude_deg).reduce(f64::max)
    };
    let bodies = got.request.bodies.iter();
    bodies.filter_map(|body| Some(one(*body, highest(*body)?, got.request.gear.exposure_ms, runs))).collect()
}

fn one(body: Body, altitude_deg: f64, exposure_ms: Option<f64>, runs: &[RunCard]) -> Past {
    let own: Vec<&RunCard> =
        runs.iter().filter(|r| r.target.to_lowercase().parse::<Body>().is_ok_and(|b| b == body)).collect();
    let altitudes = class(Some(altitude_deg), &ALTITUDES);
    let exposures = exposure_ms.map(|ms| class(Some(ms), &EXPOSURES));
    let as_high = |r: &&&RunCard| class(r.altitude_deg, &ALTITUDES) == altitudes;
    let as_long = |r: &&&RunCard| exposures.as_ref().is_some_and(|e| class(r.exposure_ms, &EXPOSURES) == *e);
    let both = Count::of(own.iter().filter(as_high).filter(as_long).copied());
    let high = Count::of(own.iter().filter(as_high).copied());
    let all = Count::of(own.iter().copied());
    let (at, any) = (format!("{altitudes} deg"), "any".to_string());
    // The narrowest class that holds enough runs.
    let (count, altitudes_used, exposures_used) = match exposures.as_ref().filter(|_| both.is_enough()) {
        Some(exposures) => (both, at, format!("{exposures} ms")),
        None if high.is_enough() => (high, at, any),
        None => (all, any.clone(), any),
    };
    let elsewhere = if altitudes_used == "any" { Vec::new() } else { elsewhere(&own, &altitudes, count.main()) };
    let mut past = Past {
        target: body.name().to_string(),
        altitude_deg,
        altitudes: altitudes_used,
        exposures: exposures_used,
        runs: count.runs,
        nights: count.nights,
        plan_for: count.main().map(|m| m.0.clone()),
        elsewhere,
        limited_by: count.limits,
        text: String::new(),
    };
    past.text = words(&past);
    past
}

fn elsewhere(own: &[&RunCard], altitudes: &str, here: Option<&(String, usize)>) -> Vec<String> {
    let Some(here) = here else { return Vec::new() };
    let mut bounds = vec![0.0];
    bounds.extend(ALTITUDES);
    let classes = bounds.iter().map(|low| class(Some(*low), &ALTITUDES)).filter(|c| c != altitudes);
    let tell = |c: String| {
        let count = Count::of(own.iter().filter(|r| class(r.altitude_deg, &ALTITUDES) == c).copied());
        let (limit, n) = count.main().filter(|m| m.0 != here.0)?;
        Some(format!("{c} deg: {limit} ({n} of {} runs)", count.runs))
    };
    classes.filter_map(tell).collect()
}

/// What to do about a factor.
fn advice(limit: &str) -> &'static str {
    match limit {
        "telescope" => "nothing but the telescope stood out: do the same again",
        "seeing" => "take several clips over the hours about its highest and keep the steadiest",
        "focus" => "focus before every clip, and let the telescope cool first",
        "exposure time" => "expose shorter at a higher gain",
        "sampling" => "choose the focal length by the sampling above",
        "noise" => "take longer clips, or expose up to what freezes the seeing",
        "exposure level" => "look at the histogram before the clip",
        "clouds" => "plan for gaps: more and shorter clips",
        "rotation" => "keep clips below the length above, or undo the rotation",
        "dispersion" => "take a corrector, or a redder or narrower filter",
        "tracking" => "align the mount first, and leave more room about the target",
        "lost frames" => "make the window smaller, or write to a faster disk",
        "collimation" => "collimate on a star first",
        _ => "look at the reports of those runs",
    }
}

fn words(past: &Past) -> String {
    let name = &past.target;
    if past.runs == 0 {
        return format!("{name}: no earlier run tells what limited it.");
    }
    let plural = |n: usize, word: &str| if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") };
    let of = match (past.altitudes.as_str(), past.exposures.as_str()) {
        ("any", _) => "at any altitude and exposure".to_string(),
        (altitudes, "any") => format!("{altitudes} up, at any exposure"),
        (altitudes, exposures) => format!("{altitudes} up, exposed {exposures}"),
    };
    let list: Vec<String> = past.limited_by.iter().map(|(limit, n)| format!("{limit} {n}")).collect();
    let mut text = format!(
        "{name}, {:.0} deg up at best: {} of {} ({of}) were limited by {}.",
        past.altitude_deg,
        plural(past.runs, "run"),
        plural(past.nights, "night"),
        list.join(", ")
    );
    match &past.plan_for {
        Some(limit) => {
            let _ = write!(text, " Plan for {limit}: {}.", advice(limit));
        }
        None if past.runs < LEAST.0 || past.nights < LEAST.1 => {
            let _ = write!(text, " Too few to plan by: {} runs of {} nights are needed.", LEAST.0, LEAST.1);
        }
        None => text.push_str(" No one thing limited more than half of them."),
    }
    if !past.elsewhere.is_empty() {
        let _ = write!(text, " At other altitudes: {}.", past.elsewhere.join("; "));
    }
    text
}

/// All of it as lines.
pub fn text(list: &[Past], folder: &Path) -> String {
    if list.iter().all(|p| p.runs == 0) {
        let words = format!(
            "No run in {} tells what limited a picture of these targets (a run counts whose session names its target, \
             telescope and camera).",
            folder.display()
        );
        return wrapped(&words, 2);
    }
    let mut text = wrapped(&format!("What limited earlier pictures, by the runs in {}:", folder.display()), 2);
    list.iter().filter(|p| p.runs > 0).for_each(|p| text.push_str(&wrapped(&p.text, 2)));
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(night: &str, limit: &str, altitude_deg: f64, exposure_ms: f64) -> RunCard {
        RunCard {
            status: "done".into(),
            target: "Jupiter".into(),
            night: night.into(),
            limiting: limit.into(),
            altitude_deg: Some(altitude_deg),
            exposure_ms: Some(exposure_ms),
            ..RunCard::default()
        }
    }

    #[test]
    fn no_more_is_said_than_the_runs_say() {
        let mut runs = vec![run("2031-05-01", "dispersion", 25.0, 8.0), run("2031-05-01", "dispersion", 26.0, 8.0)];
        let told = one(Body::Jupiter, 24.0, Some(8.0), &runs);
        assert_eq!((told.plan_for.as_deref(), told.runs, told.nights), (None, 2, 1));
        assert!(told.text.contains("Too few to plan by"), "{}", told.text);
        // Three runs of one night are still of one night.
        runs.push(run("2031-05-01", "dispersion", 27.0, 8.0));
        assert_eq!(one(Body::Jupiter, 24.0, Some(8.0), &runs).plan_for, None);
        runs.push(run("2031-05-02", "seeing", 27.0, 30.0));
        let told = one(Body::Jupiter, 24.0, Some(8.0), &runs);
        assert_eq!((told.plan_for.as_deref(), told.exposures.as_str()), (Some("dispersion"), "any"));
        assert!(told.text.contains("dispersion 3, seeing 1"), "{}", told.text);
        // Half of them is not more than half.
        runs.extend([run("2031-05-02", "noise", 27.0, 30.0), run("2031-05-02", "noise", 27.0, 30.0)]);
        let told = one(Body::Jupiter, 24.0, Some(8.0), &runs);
        assert!(told.plan_for.is_none() && told.text.contains("No one thing"), "{}", told.text);
        assert_eq!(one(Body::Saturn, 24.0, None, &runs).runs, 0);
    }

    #[test]
    fn the_narrowest_class_that_holds_enough_is_read_and_others_are_named() {
        let nights = ["2031-05-01", "2031-05-02", "2031-05-03"];
        let low = nights.map(|n| run(n, "dispersion", 25.0, 8.0));
        let high = nights.map(|n| run(n, "telescope", 50.0, 8.0));
        let runs: Vec<RunCard> = low.into_iter().chain(high).collect();
        let told = one(Body::Jupiter, 24.0, Some(8.0), &runs);
        assert_eq!((told.altitudes.as_str(), told.exposures.as_str()), ("20 to 30 deg", "5 to 10 ms"));
        assert_eq!(told.elsewhere, ["45 to 60 deg: telescope (3 of 3 runs)"]);
        // Never seen so high: all runs are told, and no one thing limited them.
        let told = one(Body::Jupiter, 80.0, Some(8.0), &runs);
        assert_eq!((told.altitudes.as_str(), told.runs, told.plan_for), ("any", 6, None));
    }
}
