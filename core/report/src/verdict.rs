//! What limited the picture: in words first, then every factor by its cost.

use maud::{Markup, html};

use crate::diagnosis::{Diagnosis, FactorCost};
use crate::sections::number;

/// The part of the page that a reader meets first.
pub(crate) fn verdict(told: &Diagnosis) -> Markup {
    let first = told.factors.first().filter(|f| f.beyond);
    html! {
        section class="verdict" aria-labelledby="verdict" {
            h2 id="verdict" {
                @match told.limiting.as_str() {
                    "telescope" => "Nothing but the telescope limited this picture",
                    "unknown" => "What limited this picture cannot be told",
                    limit => { "Limited by " (limit) }
                }
            }
            p class="lead" { (capital(&told.summary)) "." }
            @if let Some(advice) = first.and_then(|f| f.advice.as_ref()) {
                p { strong { "Next time: " } (advice) "." }
            }
            @if !told.clips.is_empty() {
                p class="key" {
                    "Clip by clip: "
                    @for (number, (limit, cost_db)) in told.clips.iter().enumerate() {
                        @if number > 0 { "; " }
                        (number + 1) " " (limit) @if *cost_db > 0.0 { " (" (format!("{cost_db:.1}")) " dB)" }
                    }
                    ". The words above are those of a clip in the middle."
                }
            }
        }
    }
}

/// Every factor and its cost, and what cannot be told.
pub(crate) fn costs(told: &Diagnosis) -> Markup {
    let top = told.factors.iter().map(|f| f.cost_db).fold(3.0, f64::max);
    html! {
        section aria-labelledby="costs" {
            h2 id="costs" { "What each factor cost" }
            @if told.factors.is_empty() {
                p { "No factor could be judged." }
            } @else {
                div class="scroll" tabindex="0" role="group" aria-label="cost of each factor" {
                    table class="costs" {
                        thead { tr {
                            th scope="col" { "factor" }
                            th scope="col" { "cost, dB" }
                            th scope="col" { "evidence" }
                            th scope="col" class="number" { "measured" }
                            th scope="col" class="number" { "threshold" }
                        } }
                        tbody { @for factor in &told.factors { (row(factor, top)) } }
                    }
                }
                p class="key" {
                    "Cost is the signal to noise at half the telescope's cut-off that would be gained without the factor. "
                    "A factor in bold is beyond its threshold."
                }
            }
            @if !told.untold.is_empty() {
                details {
                    summary { "What the data cannot tell (" (told.untold.len()) ")" }
                    dl class="untold" { @for (name, why) in &told.untold { dt { (name) } dd { (why) } } }
                }
            }
        }
    }
}

fn row(factor: &FactorCost, top: f64) -> Markup {
    let unit = |value: f64| format!("{} {}", number(rounded(value)), factor.unit);
    html! {
        tr class=(if factor.beyond { "beyond" } else { "within" }) {
            th scope="row" { (factor.name) }
            td class="cost" {
                span class="figure" { (format!("{:.1}", factor.cost_db)) }
                div class="length" style=(format!("width:{:.1}%", if factor.cost_db < 0.05 { 0.0 } else { 100.0 * factor.cost_db / top })) {}
            }
            td {
                (factor.says)
                @if let Some(gain) = factor.gain_percent { span class="soft" { " · " (format!("{gain:.0}")) " % of the resolution" } }
                @if let (Some(advice), true) = (&factor.advice, factor.beyond) { br; span class="soft" { "Next time: " (advice) } }
            }
            td class="number" { (unit(factor.value)) }
            td class="number" { (number(rounded(factor.threshold))) }
        }
    }
}

/// Three digits that matter.
fn rounded(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let step = 10f64.powi(value.abs().log10().floor() as i32 - 2);
    (value / step).round() * step
}

pub(crate) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
