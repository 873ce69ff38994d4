//! The page itself.

use maud::{Markup, html};

use crate::document::document;
use crate::frames::ClipFrames;
use crate::graph::graph;
use crate::picture::Picture;
use crate::run::Run;
use crate::sections;
use crate::timeline::timeline;
use crate::verdict::{capital, costs, verdict};
use crate::viewer::{apart, thumbnails, viewer};

/// What makes pictures of a page move.
pub(crate) const SCRIPT: &str = include_str!("page.js");

/// The whole page.
pub(crate) fn page(run: &Run, clips: &[ClipFrames], pictures: &[Picture]) -> String {
    let title = format!("{} · {}", run.recipe.name, run.started);
    let told = crate::diagnosis::of_run(run);
    let body = html! {
            header {
                h1 { (heading(run)) }
                p class="lead" { (lead(run)) }
            }
            (trouble(run))
            @if let Some(told) = &told { (verdict(told)) }
            (viewer(pictures))
            (apart(pictures))
            @if let Some(told) = &told { (costs(told)) }
            @for (number, clip) in clips.iter().enumerate() {
                @if number == 0 {
                    section {
                        h2 { "The frames" @if clips.len() > 1 { " of clip 1" } }
                        (frames(clip, run, pictures, number, clips.len()))
                    }
                } @else {
                    details { summary { "The frames of clip " (number + 1) } (frames(clip, run, pictures, number, clips.len())) }
                }
            }
            (sections::choices(run))
            section { h2 { "What the picture holds" } (sections::resolution(run)) }
            section { h2 { "How the picture came about" } (graph(run)) (sections::passes(run)) }
            section {
                h2 { "What was measured" }
                details { summary { "Curves of single steps" } (sections::curves(run)) }
                details { summary { "Numbers of every step" } (sections::facts(run)) }
                details { summary { "Work of every step" } (sections::timings(run)) }
            }
            (origin(run))
    };
    document(&title, "", &body, SCRIPT)
}

fn frames(clip: &ClipFrames, run: &Run, pictures: &[Picture], number: usize, clips: usize) -> Markup {
    html! {
        h3 { "How their grades are distributed" }
        (sections::grades(clip, &format!("grades{number}")))
        (thumbnails(pictures, if clips > 1 { number + 1 } else { 0 }))
        h3 { "What happened when" }
        (timeline(clip, run, &number.to_string()))
    }
}

fn heading(run: &Run) -> String {
    match run.fact_text("target.name") {
        Some(target) => format!("{} by {}", capital(target), run.recipe.name),
        None => format!("A picture by {}", run.recipe.name),
    }
}

fn lead(run: &Run) -> String {
    let frames = match run.frames.used {
        Some(used) => format!("{used} of {} frames are in this picture", run.frames.total),
        None => format!("{} frames were read", run.frames.total),
    };
    let rejected = match run.frames.rejected {
        Some(0) | None => String::new(),
        Some(n) => format!("; {n} were rejected"),
    };
    let memory = run.memory.peak_bytes.map(|b| format!(" and at most {} MB of memory", b >> 20)).unwrap_or_default();
    format!("{frames}{rejected}. The run took {:.1} s{memory}.", run.seconds)
}

fn trouble(run: &Run) -> Markup {
    html! {
        @if let Some(error) = &run.error {
            section class="trouble" {
                h2 { "This run " (run.status) }
                p { (error.message) }
                @if let Some(remedy) = &error.remedy { p { (remedy) } }
            }
        }
        @if !run.warnings.is_empty() {
            section class="trouble" {
                h2 { "Warnings" }
                ul { @for said in &run.warnings { li { strong { (said.step) } ": " (said.text) } } }
            }
        }
    }
}

fn origin(run: &Run) -> Markup {
    let values = |map: &std::collections::BTreeMap<String, serde_json::Value>, given: &[String]| {
        let one = |(name, value): (&String, &serde_json::Value)| {
            format!("{name} = {value}{}", if given.contains(name) { " (given)" } else { "" })
        };
        map.iter().map(one).collect::<Vec<_>>().join(", ")
    };
    html! {
        section {
            h2 { "How it was made" }
            p { (run.recipe.summary) }
            @for input in &run.inputs {
                @let clip = &input.clip;
                p {
                    strong { (input.input) } ": " (file_name(&input.file)) " — " (clip["frames"]) " frames of " (clip["width"]) " × "
                    (clip["height"]) ", " (clip["bits"]) " bits, " (format!("{:.1}", input.bytes as f64 / 1e6)) " MB, blake3 " code { (input.blake3.chars().take(16).collect::<String>()) } "…"
                }
                @if let Some(notes) = clip["notes"].as_array() {
                    @if !notes.is_empty() { ul { @for note in notes { li { (note.as_str().unwrap_or_default()) } } } }
                }
                @if !input.facts.is_empty() {
                    details {
                        summary { "What was known of it" }
                        dl class="facts" { @for (name, fact) in &input.facts { div { dt { (name) } dd { (fact.value) " (" (fact.origin) ")" } } } }
                    }
                }
            }
            @if !run.skipped.is_empty() {
                details {
                    summary { "Steps that were left out (" (run.skipped.len()) ")" }
                    ul { @for s in &run.skipped { li { strong { (s.step) } ": " (s.why) } } }
                }
            }
            details {
                summary { "Every step and its parameters" }
                ol { @for node in &run.nodes { li { strong { (node.step) } " = " (node.method) " " span class="soft" { (values(&node.parameters, &node.given)) " — " (node.why) @if node.sweeps > 1 { ", " (node.sweeps) " sweeps" } } } } }
            }
            details {
                summary { "Files" }
                ul { @for file in &run.results { li { (file.file) " (" (file.bytes) " bytes)" } } }
            }
            p class="soft" {
                "stillair " (run.build.version) ", " (run.machine.threads) " threads, " (run.build.instruction_set)
                ", memory budget " (run.memory.budget_bytes >> 20) " MB · run " (run.run)
            }
        }
    }
}

fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}
