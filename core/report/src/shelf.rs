//! Pages over a folder of runs: the list, and any two side by side.

use std::path::Path;

use maud::{Markup, html};
use serde_json::Value;

use crate::ReportError;
use crate::diagnosis::{Diagnosis, diagnosis_of_record, of_run};
use crate::document::document;
use crate::page::SCRIPT;
use crate::picture::{self, Picture};
use crate::run::Run;
use crate::verdict::capital;
use crate::viewer::{Look, Source, View, main_picture, stage};

/// A run in a list.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RunCard {
    /// Name of its folder.
    pub name: String,
    /// `done`, `failed`, `cancelled`.
    pub status: String,
    /// Name of the recipe.
    pub recipe: String,
    /// What was looked at, as the session says; empty if it does not.
    pub target: String,
    /// When it was started, as `YYYY-MM-DDTHH:MM:SS.mmmZ`.
    pub started: String,
    /// Evening of the night in which its clip was captured, `YYYY-MM-DD`; empty if the clip does not tell.
    pub night: String,
    /// Frames in the picture and frames read.
    pub frames: (Option<u64>, u64),
    /// What limited it; empty if not asked.
    pub limiting: String,
    /// Altitude of the target, degrees, if known.
    pub altitude_deg: Option<f64>,
    /// Exposure of a frame, ms, if known.
    pub exposure_ms: Option<f64>,
    /// Whether there is a picture that a page can show.
    pub picture: bool,
}

impl RunCard {
    /// From the name of a run's folder and its record, `run.json` as a whole.
    #[must_use]
    pub fn of(name: &str, record: &Value) -> Self {
        let text = |pointer: &str| record.pointer(pointer).and_then(Value::as_str).unwrap_or_default().to_string();
        let told = diagnosis_of_record(record);
        Self {
            name: name.into(),
            status: text("/status"),
            recipe: text("/recipe/name"),
            target: text("/inputs/0/facts/target.name/value"),
            started: text("/started"),
            night: night(record).unwrap_or_default(),
            frames: (
                record.pointer("/frames/used").and_then(Value::as_u64),
                record.pointer("/frames/total").and_then(Value::as_u64).unwrap_or(0),
            ),
            limiting: told.as_ref().map(|d| d.limiting.clone()).unwrap_or_default(),
            altitude_deg: told.as_ref().and_then(|d| d.altitude_deg),
            exposure_ms: told.as_ref().and_then(|d| d.exposure_ms),
            picture: record["results"].as_array().is_some_and(|list| list.iter().any(is_png)),
        }
    }

    /// Evening of the capture's night, or the day on which the run was started if the clip does not tell.
    #[must_use]
    pub fn day(&self) -> &str {
        if self.night.is_empty() { self.started.split('T').next().unwrap_or_default() } else { &self.night }
    }
}

/// Evening of the night of the first clip, in mean solar time where the longitude is known, else in UTC.
fn night(record: &Value) -> Option<String> {
    let start_ns = record.pointer("/inputs/0/clip/start_unix_ns")?.as_i64()?;
    let longitude_deg = record.pointer("/inputs/0/facts/site.longitude_deg/value").and_then(Value::as_f64);
    let east_s = (240.0 * longitude_deg.unwrap_or(0.0)) as i64;
    let noon_s = 12 * 3600;
    let moved = jiff::Timestamp::from_second(start_ns.div_euclid(1_000_000_000) + east_s - noon_s).ok()?;
    Some(moved.strftime("%Y-%m-%d").to_string())
}

fn is_png(result: &Value) -> bool {
    result["file"].as_str().is_some_and(|file| file.ends_with(".png"))
}

/// A name as part of an address (RFC 3986: all but unreserved characters in percent signs).
fn encoded(name: &str) -> String {
    let one = |b: u8| match b {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => char::from(b).to_string(),
        _ => format!("%{b:02X}"),
    };
    name.bytes().map(one).collect()
}

/// Which runs a list shows; an empty text lets all pass.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Filter {
    /// Target.
    pub target: String,
    /// Recipe.
    pub recipe: String,
    /// Limiting factor.
    pub limit: String,
    /// First day, `YYYY-MM-DD`.
    pub from: String,
    /// Last day.
    pub to: String,
}

impl Filter {
    /// Whether a run is shown.
    #[must_use]
    pub fn passes(&self, run: &RunCard) -> bool {
        let same = |wanted: &str, is: &str| wanted.is_empty() || wanted == is;
        same(&self.target, &run.target)
            && same(&self.recipe, &run.recipe)
            && same(&self.limit, &run.limiting)
            && (self.from.is_empty() || run.day() >= self.from.as_str())
            && (self.to.is_empty() || run.day() <= self.to.as_str())
    }
}

/// Script of the list: asks every two seconds what runs at present.
const LIVE: &str = include_str!("live.js");

/// The list of runs, newest first, as a page. Links lead to `run/NAME`, `thumbnail/NAME`, `compare`, `running`.
#[must_use]
pub fn runs_page(runs: &[RunCard], filter: &Filter) -> String {
    let mut shown: Vec<&RunCard> = runs.iter().filter(|r| filter.passes(r)).collect();
    shown.sort_by(|a, b| b.started.cmp(&a.started).then(b.name.cmp(&a.name)));
    let choices = |of: fn(&RunCard) -> &str| -> Vec<&str> {
        let mut list: Vec<&str> = runs.iter().map(of).filter(|v| !v.is_empty()).collect();
        list.sort_unstable();
        list.dedup();
        list
    };
    let choice = |label: &str, name: &str, list: Vec<&str>, now: &str| {
        html! {
            label { (label) " "
                select name=(name) {
                    option value="" { "any" }
                    @for value in list { option value=(value) selected[value == now] { (value) } }
                }
            }
        }
    };
    let body = html! {
        h1 { "Runs" }
        p class="lead" {
            @if shown.len() == runs.len() { (runs.len()) } @else { (shown.len()) " of " (runs.len()) }
            @if runs.len() == 1 { " run" } @else { " runs" } " in this folder."
        }
        div class="running" aria-live="polite" {}
        form class="filters" method="get" action="./" aria-label="filter" {
            (choice("target", "target", choices(|r| &r.target), &filter.target))
            (choice("recipe", "recipe", choices(|r| &r.recipe), &filter.recipe))
            (choice("limited by", "limit", choices(|r| &r.limiting), &filter.limit))
            label { "from " input type="date" name="from" value=(filter.from); }
            label { "to " input type="date" name="to" value=(filter.to); }
            button { "Show" }
        }
        form method="get" action="compare" aria-label="compare" {
            @if shown.is_empty() { p { "No run is of this kind." } }
            ul class="cards" {
                @for run in &shown { (card(run)) }
            }
            @if shown.len() > 1 { p { button { "Compare the two that are ticked" } } }
        }
    };
    document("Runs", "", &body, LIVE)
}

fn card(run: &RunCard) -> Markup {
    let done = run.status == "done";
    html! {
        li class="card" {
            @if done && run.picture {
                img src=(format!("thumbnail/{}", encoded(&run.name))) alt=(format!("picture of {}", run.name)) loading="lazy";
            } @else {
                div class="blank" {}
            }
            p class="name" { a href=(format!("run/{}", encoded(&run.name))) { @if run.target.is_empty() { (run.recipe) } @else { (capital(&run.target)) } } }
            p { (run.started.replace('T', " ").chars().take(16).collect::<String>()) " UTC · " (run.recipe) }
            p {
                @match run.frames { (Some(used), total) => { (used) " of " (total) " frames" }, (None, total) => { (total) " frames" } }
            }
            p {
                @if !done { (run.status) } @else if run.limiting.is_empty() { span class="soft" { "not judged" } } @else { "limited by " strong { (run.limiting) } }
            }
            p { label { input type="checkbox" name="run" value=(run.name); " compare" span class="hidden" { " " (run.name) } } }
        }
    }
}

/// A thumbnail of a run's picture as the bytes of a JPEG or PNG, with the kind (`image/jpeg`); `None` without one.
///
/// # Errors
/// If the picture cannot be read.
pub fn thumbnail(folder: &Path) -> Result<Option<(String, Vec<u8>)>, ReportError> {
    use base64::Engine;
    let pictures = picture::read_all(folder)?;
    let Some(main) = main_picture(&pictures) else { return Ok(None) };
    let parts = main.thumbnail.strip_prefix("data:").and_then(|rest| rest.split_once(";base64,"));
    Ok(parts.and_then(|(kind, text)| {
        base64::engine::general_purpose::STANDARD.decode(text).ok().map(|bytes| (kind.to_string(), bytes))
    }))
}

/// Two runs as a page: their pictures under a movable edge, their numbers side by side.
///
/// # Errors
/// If a record or a picture cannot be read.
pub fn pair_page(a: &Path, b: &Path) -> Result<String, ReportError> {
    let runs = [Run::read(a)?, Run::read(b)?];
    let mut sides: Vec<Picture> = Vec::new();
    for folder in [a, b] {
        let mut pictures = picture::read_all(folder)?;
        if let Some(at) = main_picture(&pictures).and_then(|m| pictures.iter().position(|p| p.name == m.name)) {
            sides.push(pictures.swap_remove(at));
        }
    }
    let same_size = sides.len() < 2 || (sides[0].width, sides[0].height) == (sides[1].width, sides[1].height);
    let words = |run: &Run| {
        format!("{} of {}", run.recipe.name, run.started.replace('T', " ").chars().take(16).collect::<String>())
    };
    let mut names: Vec<String> = runs.iter().map(words).collect();
    if names[0] == names[1] {
        names = runs.iter().map(|r| r.run.clone()).collect();
    }
    let largest = sides.iter().map(|p| (p.width, p.height)).max_by_key(|size| size.0);
    let views: Vec<View<'_>> = sides
        .iter()
        .zip(&names)
        .map(|(picture, words)| View { words: words.clone(), source: Source::Data(&picture.data) })
        .collect();
    let told: Vec<Option<Diagnosis>> = runs.iter().map(of_run).collect();
    let row = |name: &str, of: &dyn Fn(usize) -> String| {
        html! { tr { th scope="row" { (name) } td { (of(0)) } td { (of(1)) } } }
    };
    let number = |run: &Run, name: &str| -> Option<f64> {
        run.nodes.iter().flat_map(|n| &n.entries).find(|e| e["name"] == name && e["kind"] == "number")?["value"]
            .as_f64()
    };
    let body = html! {
        h1 { "Two runs" }
        p class="lead" { (runs[0].run) " and " (runs[1].run) "." }
        @if let Some((width, height)) = largest {
            @let right = views.len() - 1;
            (stage(&views, &Look { label: "two runs, one over the other", width, height, left: 0, right, edge: 50 * right as u32, smooth: true }))
        }
        @if !same_size { p class="key" { "The pictures differ in size; each is drawn as large as fits." } }
        section {
            h2 { "Side by side" }
            table class="pair" {
                thead { tr { th scope="col" { span class="hidden" { "what" } } th scope="col" { "left of the edge" } th scope="col" { "right of it" } } }
                tbody {
                    (row("recipe", &|i| runs[i].recipe.name.clone()))
                    (row("started", &|i| runs[i].started.clone()))
                    (row("target", &|i| runs[i].fact_text("target.name").unwrap_or("not named").to_string()))
                    (row("frames", &|i| match runs[i].frames.used {
                        Some(used) => format!("{used} of {}", runs[i].frames.total),
                        None => runs[i].frames.total.to_string(),
                    }))
                    (row("limited by", &|i| told[i].as_ref().map_or_else(|| "not judged".into(), |d| format!("{}: {}", d.limiting, d.summary))))
                    @for (name, key) in [("resolution, green", "resolution-share-green"), ("resolution", "resolution-share-mono")] {
                        @if runs.iter().any(|r| number(r, key).is_some()) {
                            (row(name, &|i| number(&runs[i], key).map_or_else(String::new, |v| format!("{:.0} % of the cut-off", 100.0 * v))))
                        }
                    }
                    (row("time", &|i| format!("{:.1} s", runs[i].seconds)))
                }
            }
        }
    };
    Ok(document("Two runs", "", &body, SCRIPT))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(name: &str, target: &str, started: &str, limiting: &str) -> RunCard {
        RunCard {
            name: name.into(),
            status: "done".into(),
            recipe: "planet-colour".into(),
            target: target.into(),
            started: started.into(),
            limiting: limiting.into(),
            ..RunCard::default()
        }
    }

    #[test]
    fn a_filter_lets_pass_what_it_names() {
        let runs = [
            run("a", "jupiter", "2031-05-02T21:04:00.000Z", "seeing"),
            run("b", "saturn", "2031-05-03T21:04:00.000Z", "noise"),
        ];
        let by = |filter: Filter| runs.iter().filter(|r| filter.passes(r)).map(|r| r.name.as_str()).collect::<String>();
        assert_eq!(by(Filter::default()), "ab");
        assert_eq!(by(Filter { target: "saturn".into(), ..Filter::default() }), "b");
        assert_eq!(by(Filter { limit: "seeing".into(), from: "2031-05-03".into(), ..Filter::default() }), "");
        assert_eq!(by(Filter { to: "2031-05-02".into(), ..Filter::default() }), "a");
    }

    // 2027-02-13 01:30 UTC is 1802482200 s after 1970 (date -u -d @1802482200).
    #[test]
    fn a_night_is_named_by_its_evening() {
        let card = |longitude_deg: Value| {
            let facts = serde_json::json!({"site.longitude_deg": {"value": longitude_deg}});
            let input = serde_json::json!({"clip": {"start_unix_ns": 1_802_482_200_000_000_000_i64}, "facts": facts});
            RunCard::of("a", &serde_json::json!({"started": "2031-05-02T21:04:00.000Z", "inputs": [input]}))
        };
        assert_eq!(card(Value::Null).day(), "2027-02-12");
        // Half a turn to the east it is the afternoon of the 13th.
        assert_eq!(card(Value::from(179.0)).day(), "2027-02-13");
        assert_eq!(RunCard::of("a", &serde_json::json!({"started": "2031-05-02T21:04:00.000Z"})).day(), "2031-05-02");
    }

    #[test]
    fn what_a_record_says_is_escaped() {
        let page = runs_page(&[run("a", "<script>alert(1)</script>", "2031", "noise")], &Filter::default());
        assert!(!page.contains("<script>alert") && page.contains("&lt;script&gt;alert"));
    }
}
