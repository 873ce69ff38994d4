//! The recipe as a picture: every step in a box, with its time and whether it ran, links as lines.

use std::collections::HashMap;

use maud::{Markup, html};

use crate::run::{Run, Step};

const WIDTH: f64 = 1000.0;
const BOX: (f64, f64) = (156.0, 40.0);
const ROW: f64 = 66.0;

struct Place {
    x: f64,
    y: f64,
}

/// Names of the steps that a step is linked to (`port <- step.port`).
fn before(step: &Step) -> impl Iterator<Item = &str> {
    step.links.iter().filter_map(|link| {
        let from = link.split_once("<- ")?.1;
        // A step's name may hold dots, its port's may not.
        Some(from.rsplit_once('.').map_or(from, |(step, _)| step))
    })
}

/// Row of each step: one below the lowest it is linked to. Steps stand in the record in the order of their links.
fn rows(steps: &[Step]) -> Vec<usize> {
    let number: HashMap<&str, usize> = steps.iter().enumerate().map(|(i, s)| (s.step.as_str(), i)).collect();
    let mut rows = vec![0_usize; steps.len()];
    for _ in 0..steps.len() {
        let mut moved = false;
        for (i, step) in steps.iter().enumerate() {
            let row = before(step).filter_map(|n| number.get(n)).map(|&j| rows[j] + 1).max().unwrap_or(0);
            if row > rows[i] && row < steps.len() {
                rows[i] = row;
                moved = true;
            }
        }
        if !moved {
            break;
        }
    }
    rows
}

/// Places of the boxes: rows from above, within a row near those they are linked to; a row too full runs on in the next.
fn places(steps: &[Step]) -> (Vec<Place>, f64) {
    let rows = rows(steps);
    let number: HashMap<&str, usize> = steps.iter().enumerate().map(|(i, s)| (s.step.as_str(), i)).collect();
    let per_line = (WIDTH / (BOX.0 + 10.0)) as usize;
    let mut places: Vec<Place> = steps.iter().map(|_| Place { x: WIDTH / 2.0, y: 0.0 }).collect();
    let mut y = 4.0;
    for row in 0..=rows.iter().copied().max().unwrap_or(0) {
        let mut members: Vec<usize> = (0..steps.len()).filter(|&i| rows[i] == row).collect();
        let wish = |i: usize, places: &[Place]| {
            let xs: Vec<f64> = before(&steps[i]).filter_map(|n| number.get(n)).map(|&j| places[j].x).collect();
            if xs.is_empty() { WIDTH / 2.0 } else { xs.iter().sum::<f64>() / xs.len() as f64 }
        };
        let wishes: HashMap<usize, f64> = members.iter().map(|&i| (i, wish(i, &places))).collect();
        members.sort_by(|a, b| wishes[a].total_cmp(&wishes[b]));
        for line in members.chunks(per_line.max(1)) {
            let room = WIDTH / line.len() as f64;
            for (k, &i) in line.iter().enumerate() {
                places[i] = Place { x: (k as f64 + 0.5) * room, y };
            }
            y += ROW;
        }
    }
    (places, y - ROW + BOX.1 + 6.0)
}

fn short(text: &str, most: usize) -> String {
    if text.chars().count() <= most { text.to_string() } else { text.chars().take(most - 1).chain(['…']).collect() }
}

fn seconds(value: f64) -> String {
    if value < 0.0005 {
        "<1 ms".into()
    } else if value < 1.0 {
        format!("{:.0} ms", 1e3 * value)
    } else {
        format!("{value:.1} s")
    }
}

/// The picture of the graph.
pub(crate) fn graph(run: &Run) -> Markup {
    let steps = &run.nodes;
    if steps.is_empty() {
        return html! { p { "No step ran." } };
    }
    let (places, height) = places(steps);
    let number: HashMap<&str, usize> = steps.iter().enumerate().map(|(i, s)| (s.step.as_str(), i)).collect();
    let longest = steps.iter().map(|s| s.seconds).fold(1e-9, f64::max);
    let slow = steps.iter().max_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let reused = steps.iter().filter(|s| !s.why.starts_with("ran") && s.why != "not run").count();
    let words = format!(
        "The recipe as a graph of {} steps from the clip above to the files below.{} {reused} were taken from the cache.",
        steps.len(),
        slow.map_or_else(String::new, |s| format!(" Most work, {}, went into {}.", seconds(s.seconds), s.step))
    );
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="graph of the recipe" {
            svg class="graph" viewBox=(format!("0 0 {WIDTH} {height:.0}")) role="img" aria-labelledby="graph-words" {
                title id="graph-words" { (words) }
                @for (i, step) in steps.iter().enumerate() {
                    @for j in before(step).filter_map(|n| number.get(n)) {
                        @let (from, to) = (&places[*j], &places[i]);
                        @let (y0, y1) = (from.y + BOX.1, to.y);
                        @let bend = 0.5 * (y1 - y0);
                        path class="wire" d=(format!("M{:.1} {y0:.1}C{:.1} {:.1} {:.1} {:.1} {:.1} {y1:.1}", from.x, from.x, y0 + bend, to.x, y1 - bend, to.x)) {}
                    }
                }
                @for (step, place) in steps.iter().zip(&places) {
                    @let (x, y) = (place.x - BOX.0 / 2.0, place.y);
                    @let ran = step.why.starts_with("ran") || step.why.is_empty();
                    g class=(if ran { "node" } else { "node reused" }) {
                        title { (step.step) " = " (step.method) ", " (seconds(step.seconds)) ", " (step.why) }
                        rect x=(format!("{x:.1}")) y=(format!("{y:.1}")) width=(BOX.0) height=(BOX.1) rx="3" {}
                        rect class="work" x=(format!("{x:.1}")) y=(format!("{:.1}", y + BOX.1 - 3.0)) height="3"
                            width=(format!("{:.1}", BOX.0 * step.seconds / longest)) {}
                        text class="step" x=(format!("{:.1}", x + 7.0)) y=(format!("{:.1}", y + 15.0)) { (short(&step.step, 15)) }
                        text class="method" x=(format!("{:.1}", x + 7.0)) y=(format!("{:.1}", y + 30.0)) { (short(&step.method, 24)) }
                        text class="time" x=(format!("{:.1}", x + BOX.0 - 6.0)) y=(format!("{:.1}", y + 15.0)) text-anchor="end" {
                            (if ran { seconds(step.seconds) } else { "reused".into() })
                        }
                    }
                }
            }
        }
        p class="key" { "Each box is a step, with its method and work; the bar along its foot is its share of the longest. A dashed box was taken from the cache." }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(name: &str, links: &[&str]) -> Step {
        Step { step: name.into(), links: links.iter().map(|l| (*l).to_string()).collect(), ..Step::default() }
    }

    #[test]
    fn a_step_stands_below_all_it_is_linked_to() {
        let steps = [
            step("clip", &[]),
            step("found", &["frames <- clip.frames"]),
            step("stacked", &["frames <- clip.frames", "table <- found.table"]),
            step("results.picture", &["image <- stacked.image"]),
        ];
        assert_eq!(rows(&steps), [0, 1, 2, 3]);
        let (places, height) = places(&steps);
        assert!(places.windows(2).all(|p| p[0].y < p[1].y) && height > places[3].y);
    }
}
