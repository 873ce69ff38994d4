//! The parts of the page that plot something.

use maud::{Markup, html};

use crate::chart::{Axis, Chart};
use crate::frames::ClipFrames;
use crate::run::Run;

const BINS: usize = 48;

/// The distribution of grades: share of frames against grade, the part that was used shaded by its weight.
pub(crate) fn grades(clip: &ClipFrames, id: &str) -> Markup {
    let usable: Vec<(f64, f64)> = clip
        .grade
        .iter()
        .zip(&clip.weight)
        .filter(|(g, _)| g.is_finite())
        .map(|(g, w)| (*g, if w.is_finite() { *w } else { 0.0 }))
        .collect();
    if usable.is_empty() {
        return html! { p { "No grade was measured." } };
    }
    let x = Axis::over(usable.iter().map(|(g, _)| *g));
    let top_weight = usable.iter().map(|(_, w)| *w).fold(0.0, f64::max).max(1e-12);
    let (mut all, mut used, mut weighted) = ([0.0; BINS], [0.0; BINS], [0.0; BINS]);
    let width = (x.high - x.low) / BINS as f64;
    for (grade, weight) in &usable {
        let bin = (((grade - x.low) / width) as usize).min(BINS - 1);
        all[bin] += 100.0 / usable.len() as f64;
        if *weight > 0.0 {
            used[bin] += 100.0 / usable.len() as f64;
            weighted[bin] += 100.0 / usable.len() as f64 * weight / top_weight;
        }
    }
    let y = Axis::from_zero(all.iter().copied());
    let kept = usable.iter().filter(|(_, w)| *w > 0.0).count();
    let words = format!(
        "Distribution of grades of {} frames from {:.3} to {:.3}; {kept} of them were used.",
        usable.len(),
        usable.iter().map(|p| p.0).fold(f64::INFINITY, f64::min),
        usable.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max)
    );
    let mut chart = Chart::new(x, y, &format!("grade ({})", clip.grade_name), "share of frames, %", words);
    for bin in 0..BINS {
        let from = x.low + bin as f64 * width;
        if all[bin] > 0.0 {
            chart.bar("pale", from, from + width, all[bin]);
        }
        if used[bin] > 0.0 {
            chart.bar("mid", from, from + width, used[bin]);
            chart.bar("strong", from, from + width, weighted[bin]);
        }
    }
    html! {
        (chart.draw(id))
        p class="key" {
            span class="swatch pale" {} " not used  " span class="swatch mid" {} " used  "
            span class="swatch strong" {} " used, times its weight"
        }
    }
}

/// Scale of the capture by the session's facts, arcsec per px.
pub(crate) fn arcsec_per_px(run: &Run) -> Option<f64> {
    let (pixel_um, focal_mm) = (run.fact("camera.pixel_um")?, run.fact("telescope.focal_mm")?);
    Some(206.264_806 * pixel_um / focal_mm)
}

/// Work of each step, as bars.
pub(crate) fn timings(run: &Run) -> Markup {
    let longest = run.nodes.iter().map(|n| n.seconds).fold(1e-9, f64::max);
    html! {
        table class="timings" {
            thead { tr { th scope="col" { "step" } th scope="col" { "method" } th scope="col" { "frames" } th scope="col" { "work, s" } th scope="col" { span class="hidden" { "share" } } } }
            tbody {
                @for node in &run.nodes {
                    tr {
                        th scope="row" { (node.step) }
                        td { (node.method) }
                        td class="number" { @if node.frames > 0 { (node.frames) } }
                        td class="number" { (format!("{:.3}", node.seconds)) }
                        td class="wide" { div class="length" style=(format!("width:{:.1}%", 100.0 * node.seconds / longest)) {} }
                    }
                }
            }
        }
    }
}

/// How often the clip was read, and for what.
pub(crate) fn passes(run: &Run) -> Markup {
    if run.passes.is_empty() {
        return html! {};
    }
    let frames: usize = run.passes.iter().map(|p| p.frames_read).sum();
    html! {
        details {
            summary {
                "Frames were read in " (run.passes.len()) @if run.passes.len() == 1 { " pass" } @else { " passes" } ", " (frames) " in all"
            }
            ol {
                @for pass in &run.passes {
                    li {
                        (pass.steps.join(", ")) " — " (pass.frames_read) " frames in "
                        (pass.sweeps) @if pass.sweeps == 1 { " sweep" } @else { " sweeps" } ", " (format!("{:.2}", pass.seconds)) " s"
                    }
                }
            }
        }
    }
}

/// Facts that the steps recorded, step by step.
pub(crate) fn facts(run: &Run) -> Markup {
    let shown = |entry: &serde_json::Value| -> Option<(String, String)> {
        let name = entry["name"].as_str()?.replace('-', " ");
        match entry["kind"].as_str()? {
            "number" => {
                let unit = entry["unit"].as_str().unwrap_or_default();
                Some((name, format!("{} {unit}", number(entry["value"].as_f64()?))))
            }
            "verdict" => Some((name, entry["text"].as_str()?.to_string())),
            "text" => Some((name, entry["value"].as_str()?.to_string())),
            _ => None,
        }
    };
    html! {
        @for node in &run.nodes {
            @let list: Vec<(String, String)> = node.entries.iter().filter_map(shown).collect();
            @if !list.is_empty() {
                h3 { (node.step) " " span class="soft" { (node.method) } }
                dl class="facts" { @for (name, value) in &list { div { dt { (name) } dd { (value) } } } }
            }
        }
    }
}

/// Curves that the steps recorded, one plot for each pair of axes; those of [`SHOWN_APART`] stand in their
/// own part.
pub(crate) fn curves(run: &Run) -> Markup {
    let plots = gather(run, |node| !SHOWN_APART.contains(&node.method.as_str()));
    html! {
        @for (number, (title, list)) in plots.iter().enumerate() {
            h3 { (title) }
            (draw_curves(list, &format!("curve{number}"), f64::NAN, |_| {}))
        }
    }
}

/// Methods whose curves have a part of their own.
const SHOWN_APART: [&str; 3] = ["assess.resolution", "assess.limit", "select.auto"];

fn gather(run: &Run, wanted: impl Fn(&crate::run::Step) -> bool) -> Vec<(String, Vec<Curve>)> {
    let mut plots: Vec<(String, Vec<Curve>)> = Vec::new();
    for node in run.nodes.iter().filter(|n| wanted(n)) {
        for entry in node.entries.iter().filter(|e| e["kind"] == "series") {
            let Some(curve) = Curve::read(entry) else { continue };
            let key = format!("{}: {} against {}", node.step, curve.y_label, curve.x_label);
            match plots.iter_mut().find(|(k, _)| *k == key) {
                Some((_, list)) => list.push(curve),
                None => plots.push((key, vec![curve])),
            }
        }
    }
    plots
}

/// What the picture holds: its resolution in words, power and noise against the diffraction limit, and where the
/// half-stacks agree.
pub(crate) fn resolution(run: &Run) -> Markup {
    let power = gather(run, |node| node.method == "assess.limit");
    let agreement = gather(run, |node| node.method == "assess.resolution");
    let spectrum = |number: usize, list: &[Curve]| {
        html! {
            h3 { "Detail against noise" @if power.len() > 1 { ", clip " (number + 1) } }
            (draw_curves(list, &format!("power{number}"), 1.06, |chart| chart.mark_x("cut", 1.0, "diffraction cut-off")))
        }
    };
    html! {
        (ends(run))
        @for (number, (_, list)) in power.iter().enumerate().take(1) { (spectrum(number, list)) }
        @if !power.is_empty() {
            p class="key" { "Power of the stack and of its noise floor (half the difference of the half-stacks) by fineness of detail. Where the two meet, detail ends." }
        }
        @if power.len() > 1 {
            details {
                summary { "Detail against noise in the other clips" }
                @for (number, (_, list)) in power.iter().enumerate().skip(1) { (spectrum(number, list)) }
            }
        }
        @for (number, (_, list)) in agreement.iter().enumerate() {
            h3 { "Where the two half-stacks agree" }
            (draw_curves(list, &format!("agree{number}"), f64::NAN, |chart| {
                chart.mark_y("cut", 1.0 / 7.0, "1/7: the picture ends");
            }))
        }
    }
}

/// Where the half-stacks stop agreeing, in words.
fn ends(run: &Run) -> Markup {
    let Some(node) = run.nodes.iter().find(|n| n.method == "assess.resolution") else { return html! {} };
    let number = |name: String| node.entries.iter().find(|e| e["name"] == name.as_str())?["value"].as_f64();
    let says = |name: String| node.entries.iter().find(|e| e["name"] == name.as_str())?["text"].as_str();
    let sentence = |channel: &&str| -> Option<String> {
        let end = number(format!("resolution-{channel}"))?;
        let (until, more) = if end >= 0.5 { ("up to the pixels' own limit,", " or finer") } else { ("down to", "") };
        let period = number(format!("resolution-period-{channel}"))
            .map_or_else(|| format!("{:.1} px", 1.0 / end), |p| format!("{p:.2} arcsec"));
        let share = number(format!("resolution-share-{channel}"))
            .map_or_else(String::new, |s| format!(", {:.0} % of the telescope's cut-off", 100.0 * s));
        let verdict = says(format!("resolution-verdict-{channel}")).map_or_else(String::new, |v| format!(": {v}"));
        let what = if *channel == "mono" { "The".into() } else { format!("In {channel} the") };
        Some(format!("{what} two half-stacks agree {until} a period of {period}{more}{share}{verdict}."))
    };
    html! { @for text in ["mono", "red", "green", "blue"].iter().filter_map(sentence) { p { (text) } } }
}

/// Why so many frames were kept: information against the share kept for each power of the grade, the choice marked.
pub(crate) fn choices(run: &Run) -> Markup {
    html! {
        @for (number, node) in run.nodes.iter().filter(|n| n.method == "select.auto").enumerate() {
            @let list = powers(&node.entries);
            @let value = |name: &str| node.entries.iter().find(|e| e["name"] == name).map(|e| &e["value"]);
            @let keep = value("keep").and_then(serde_json::Value::as_f64).map_or(f64::NAN, |k| 100.0 * k);
            @let most = value("information").and_then(serde_json::Value::as_f64).unwrap_or(f64::NAN);
            h3 { "Why so many frames were kept" }
            (draw_curves(&list, &format!("choice{number}"), f64::NAN, |chart| {
                chart.mark_x("cut", keep, "chosen");
                chart.signs("", 3, [(keep, most)].into_iter());
            }))
            @if let Some(words) = value("choice").and_then(|v| v.as_str()) { p class="key" { "Chosen: " (words) "." } }
        }
    }
}

/// The curves of a choice, named by the power of the grade.
fn powers(entries: &[serde_json::Value]) -> Vec<Curve> {
    let named = |mut curve: Curve| {
        let power = curve.name.rsplit(' ').next().unwrap_or_default();
        // In one word, so that it is not cut as a beginning that all share.
        curve.name = format!("grade\u{a0}to\u{a0}the\u{a0}power\u{a0}{power}");
        curve
    };
    entries.iter().filter(|e| e["kind"] == "series").filter_map(Curve::read).map(named).collect()
}

struct Curve {
    name: String,
    x_label: String,
    y_label: String,
    x: Vec<f64>,
    y: Vec<f64>,
}

impl Curve {
    fn read(entry: &serde_json::Value) -> Option<Self> {
        let numbers = |key: &str| -> Option<Vec<f64>> {
            Some(entry[key].as_array()?.iter().map(|v| v.as_f64().unwrap_or(f64::NAN)).collect())
        };
        let label = |axis: &str| {
            let unit = entry[format!("{axis}_unit").as_str()].as_str().unwrap_or_default();
            let words = entry[format!("{axis}_label").as_str()].as_str().unwrap_or_default();
            if unit.is_empty() { words.to_string() } else { format!("{words}, {unit}") }
        };
        let curve = Self {
            name: entry["name"].as_str()?.replace('-', " "),
            x_label: label("x"),
            y_label: label("y"),
            x: numbers("x")?,
            y: numbers("y")?,
        };
        Some(curve.without_level())
    }
}

impl Curve {
    /// The curve for those who cannot see it: its ends, and its highest and lowest point.
    fn told(&self, name: &str) -> String {
        let points: Vec<(f64, f64)> =
            self.x.iter().copied().zip(self.y.iter().copied()).filter(|p| p.0.is_finite() && p.1.is_finite()).collect();
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return format!("{name} has no values") };
        let by_value = |a: &&(f64, f64), b: &&(f64, f64)| a.1.total_cmp(&b.1);
        let (low, high) = (points.iter().min_by(by_value), points.iter().max_by(by_value));
        let at = |p: &(f64, f64)| format!("{} at {}", number(p.1), number(p.0));
        let mut text = format!("{name} goes from {} to {}", at(first), at(last));
        for (word, point) in [("highest", high), ("lowest", low)] {
            if let Some(point) = point.filter(|p| **p != *first && **p != *last) {
                text.push_str(&format!(", {word} {}", at(point)));
            }
        }
        text
    }

    /// Leaves out frequency 0: the mean level is no detail.
    fn without_level(mut self) -> Self {
        if self.x_label.starts_with("spatial frequency") && self.x.first() == Some(&0.0) {
            self.x.remove(0);
            self.y.remove(0);
        }
        self
    }
}

/// What tells the curves of a plot apart: their names without the words they begin with alike.
fn own_parts(list: &[Curve]) -> Vec<String> {
    let words: Vec<Vec<&str>> = list.iter().map(|c| c.name.split(' ').collect()).collect();
    let alike = |k: usize| words.iter().all(|w| w.len() > k + 1 && w[k] == words[0][k]);
    let from = if list.len() > 1 { (0..).take_while(|k| alike(*k)).count() } else { 0 };
    words.iter().map(|w| w[from..].join(" ")).collect()
}

/// `reach` is a number that the axis of x must hold, NaN for none.
fn draw_curves(list: &[Curve], id: &str, reach: f64, more: impl Fn(&mut Chart)) -> Markup {
    let x = Axis::over(list.iter().flat_map(|c| c.x.iter().copied()).chain([reach]));
    let y = Axis::over(list.iter().flat_map(|c| c.y.iter().copied()));
    let names = own_parts(list);
    let Some(first) = list.first() else { return html! {} };
    let told: Vec<String> = list.iter().zip(&names).map(|(curve, name)| curve.told(name)).collect();
    let words = format!("{} against {}: {}.", first.y_label, first.x_label, told.join("; "));
    let mut chart = Chart::new(x, y, &first.x_label, &first.y_label, words);
    const CLASSES: [&str; 4] = ["first", "second", "third", "fourth"];
    for (number, curve) in list.iter().enumerate() {
        chart.line(CLASSES[number % CLASSES.len()], curve.x.iter().copied().zip(curve.y.iter().copied()));
    }
    more(&mut chart);
    html! {
        (chart.draw(id))
        @if list.len() > 1 { p class="key" {
            @for number in 0..list.len() {
                span class=(format!("stroke {}", CLASSES[number % CLASSES.len()])) {} " " (names[number]) "  "
            }
        } }
    }
}

/// Seconds from the first frame, or the frame's number where times are missing.
pub(crate) fn time_axis(clip: &ClipFrames) -> ((Axis, Vec<f64>), &'static str) {
    if clip.time_s.iter().any(|t| t.is_finite()) {
        return ((Axis::over(clip.time_s.iter().copied()), clip.time_s.clone()), "time, s");
    }
    let numbers: Vec<f64> = (0..clip.time_s.len()).map(|i| i as f64).collect();
    ((Axis::over(numbers.iter().copied()), numbers), "frame")
}

pub(crate) fn percentile(values: &[f64], share: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        return f64::NAN;
    }
    sorted[((sorted.len() - 1) as f64 * share).round() as usize]
}

/// A number with four digits that matter.
pub(crate) fn number(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let digits = (3 - value.abs().log10().floor() as i32).clamp(0, 6) as usize;
    let text = format!("{value:.digits$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_string() } else { text }
}
