//! Light, grade and place of the target over time, one above the other, with the frames that were rejected and why.

use std::collections::BTreeMap;

use maud::{Markup, html};

use crate::chart::{Axis, Chart, sign};
use crate::frames::ClipFrames;
use crate::run::Run;
use crate::sections::{arcsec_per_px, percentile, time_axis};

/// Most points of one kind that are drawn; more are thinned evenly, rejected frames never.
const MOST: usize = 3000;

/// Reasons of rejection, most frequent first.
fn reasons(clip: &ClipFrames) -> Vec<(&str, usize)> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for reason in clip.reason.iter().filter(|r| !r.is_empty()) {
        *counts.entry(reason).or_default() += 1;
    }
    let mut list: Vec<(&str, usize)> = counts.into_iter().collect();
    list.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(b.0)));
    list
}

/// The three plots of a clip; `id` must be unique in the page.
pub(crate) fn timeline(clip: &ClipFrames, run: &Run, id: &str) -> Markup {
    let (x, label) = time_axis(clip);
    let listed = reasons(clip);
    let rejected: usize = listed.iter().map(|r| r.1).sum();
    let kept = clip.reason.len() - rejected;
    let thin = kept.div_ceil(MOST).max(1);
    let words = if rejected == 0 {
        "no frame was rejected".to_string()
    } else {
        let list: Vec<String> = listed.iter().map(|(word, n)| format!("{n} {word}")).collect();
        format!("{rejected} of {} frames were rejected: {}", clip.reason.len(), list.join(", "))
    };
    let draw = |values: &[f64], y: Axis, y_label: &str, what: &str, id: String| {
        let mut chart = Chart::new(x.0, y, label, y_label, format!("{what} over time; {words}."));
        chart.height = 190.0;
        let usable = (0..values.len()).filter(|i| clip.reason[*i].is_empty()).step_by(thin);
        chart.dots("kept", 1.3, usable.map(|i| (x.1[i], values[i])));
        for (kind, (reason, _)) in listed.iter().enumerate() {
            let those = (0..values.len()).filter(|i| clip.reason[*i] == *reason);
            // A frame without a number stands on the floor.
            chart.signs(
                &format!("kind{}", kind % 5),
                kind,
                those.map(|i| (x.1[i], if values[i].is_finite() { values[i] } else { y.low })),
            );
        }
        chart.draw(&id)
    };
    let top = percentile(&clip.flux, 0.95);
    let flux: Option<Vec<f64>> = (top.is_finite() && top > 0.0).then(|| clip.flux.iter().map(|f| f / top).collect());
    let grade = clip.grade.iter().any(|g| g.is_finite()).then_some(&clip.grade);
    html! {
        p { (crate::verdict::capital(&words)) "." }
        @if rejected > 0 {
            p class="key" {
                svg class="sample" viewBox="0 0 12 12" aria-hidden="true" { circle class="dots kept" cx="6" cy="6" r="2" {} } " usable  "
                @for (kind, (reason, n)) in listed.iter().enumerate() {
                    svg class="sample" viewBox="0 0 12 12" aria-hidden="true" { path class=(format!("sign kind{}", kind % 5)) d=(format!("M6 6{}", sign(kind))) {} }
                    " " (reason) " (" (n) ")  "
                }
            }
        }
        @if let Some(flux) = flux {
            h4 { "How much light came through" }
            (draw(&flux, Axis::from_zero(flux.iter().copied()), "flux / its 95th percentile", "Light of the target", format!("flux{id}")))
        } @else { p { "No flux was measured." } }
        @if let Some(grade) = grade {
            h4 { "How sharp the frames were" }
            (draw(grade, Axis::over(grade.iter().copied()), "grade", "Grade of each frame", format!("when{id}")))
        }
        h4 { "Where the target went" }
        (drift(clip, run, &format!("drift{id}")))
    }
}

/// Where the target's centre went: across and down, against time.
fn drift(clip: &ClipFrames, run: &Run, id: &str) -> Markup {
    let (x, label) = time_axis(clip);
    let middle = |v: &[f64]| percentile(v, 0.5);
    let (mx, my) = (middle(&clip.x_px), middle(&clip.y_px));
    if !(mx.is_finite() && my.is_finite()) {
        return html! { p { "The target was not followed." } };
    }
    let (factor, unit) = arcsec_per_px(run).map_or((1.0, "px"), |a| (a, "arcsec"));
    let dx: Vec<f64> = clip.x_px.iter().map(|v| (v - mx) * factor).collect();
    let dy: Vec<f64> = clip.y_px.iter().map(|v| (v - my) * factor).collect();
    let y = Axis::over(dx.iter().chain(&dy).copied());
    let span = |v: &[f64]| percentile(v, 0.99) - percentile(v, 0.01);
    let words = format!(
        "Position of the target over time: it moved over {:.1} {unit} across and {:.1} {unit} down.",
        span(&dx),
        span(&dy)
    );
    let mut chart = Chart::new(x.0, y, label, &format!("offset, {unit}"), words);
    chart.height = 190.0;
    let thin = dx.len().div_ceil(MOST).max(1);
    chart.line("first", x.1.iter().copied().zip(dx.iter().copied()).step_by(thin));
    chart.line("second", x.1.iter().copied().zip(dy.iter().copied()).step_by(thin));
    html! {
        (chart.draw(id))
        p class="key" { span class="stroke first" {} " across (to the right)  " span class="stroke second" {} " down" }
    }
}
