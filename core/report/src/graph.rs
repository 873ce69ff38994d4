//! The recipe as a picture: every step in a box, with its time and whether it ran, links as lines.

use std::collections::HashMap;

use maud::{Markup, html};

use crate::run::{Run, Step};

/// A box: a step, or what it did on every clip.
struct Node {
    name: String,
    method: String,
    /// Work of all clips together.
    seconds: f64,
    clips: usize,
    /// How many were taken from the cache.
    reused: usize,
    /// Why it ran, of the first clip.
    why: String,
    before: Vec<String>,
}

/// The name of a step without the clip it worked on: `shifts` for `shifts[2]`.
fn stem(step: &str) -> &str {
    let numbered = step.strip_suffix(']').and_then(|rest| rest.rsplit_once('['));
    numbered.filter(|(_, number)| number.parse::<usize>().is_ok()).map_or(step, |(name, _)| name)
}

/// One node for each step, whatever the number of clips.
fn nodes(steps: &[Step]) -> Vec<Node> {
    let mut list: Vec<Node> = Vec::new();
    let mut places: HashMap<&str, usize> = HashMap::new();
    for step in steps {
        let name = stem(&step.step);
        let place = *places.entry(name).or_insert_with(|| {
            list.push(Node {
                name: name.into(),
                method: step.method.clone(),
                seconds: 0.0,
                clips: 0,
                reused: 0,
                why: step.why.clone(),
                before: Vec::new(),
            });
            list.len() - 1
        });
        let node = &mut list[place];
        node.seconds += step.seconds;
        node.clips += 1;
        node.reused += usize::from(!step.why.starts_with("ran") && !step.why.is_empty());
        for link in before(step).map(stem) {
            if !node.before.iter().any(|known| known == link) {
                node.before.push(link.into());
            }
        }
    }
    list
}

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

fn numbers(steps: &[Node]) -> HashMap<&str, usize> {
    steps.iter().enumerate().map(|(i, s)| (s.name.as_str(), i)).collect()
}

/// Numbers of the nodes that a node is linked to.
fn above<'a>(node: &'a Node, number: &'a HashMap<&str, usize>) -> impl Iterator<Item = usize> + 'a {
    node.before.iter().filter_map(|name| number.get(name.as_str()).copied())
}

/// Row of each step: one below the lowest it is linked to. Steps stand in the record in the order of their links.
fn rows(steps: &[Node]) -> Vec<usize> {
    let number = numbers(steps);
    let mut rows = vec![0_usize; steps.len()];
    for _ in 0..steps.len() {
        let mut moved = false;
        for (i, step) in steps.iter().enumerate() {
            let row = above(step, &number).map(|j| rows[j] + 1).max().unwrap_or(0);
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
fn places(steps: &[Node]) -> (Vec<Place>, f64) {
    let rows = rows(steps);
    let number = numbers(steps);
    let per_line = (WIDTH / (BOX.0 + 10.0)) as usize;
    let mut places: Vec<Place> = steps.iter().map(|_| Place { x: WIDTH / 2.0, y: 0.0 }).collect();
    let mut y = 4.0;
    for row in 0..=rows.iter().copied().max().unwrap_or(0) {
        let mut members: Vec<usize> = (0..steps.len()).filter(|&i| rows[i] == row).collect();
        let wish = |i: usize, places: &[Place]| {
            let xs: Vec<f64> = above(&steps[i], &number).map(|j| places[j].x).collect();
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
    let steps = &nodes(&run.nodes);
    if steps.is_empty() {
        return html! { p { "No step ran." } };
    }
    let (places, height) = places(steps);
    let number = numbers(steps);
    let longest = steps.iter().map(|s| s.seconds).fold(1e-9, f64::max);
    let slow = steps.iter().max_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let reused = run.nodes.iter().filter(|s| !s.why.starts_with("ran") && s.why != "not run").count();
    let clips = steps.iter().map(|s| s.clips).max().unwrap_or(1);
    let words = format!(
        "The recipe as a graph of {} steps from the clip above to the files below.{} {reused} were taken from the cache.",
        steps.len(),
        slow.map_or_else(String::new, |s| format!(" Most work, {}, went into {}.", seconds(s.seconds), s.name))
    );
    let state = |node: &Node| match node.reused {
        0 => seconds(node.seconds),
        n if n == node.clips => "reused".into(),
        n => format!("{}, {n} reused", seconds(node.seconds)),
    };
    html! {
        div class="scroll" tabindex="0" role="group" aria-label="graph of the recipe" {
            svg class="graph" viewBox=(format!("0 0 {WIDTH} {height:.0}")) role="img" aria-labelledby="graph-words" {
                title id="graph-words" { (words) }
                @for (i, step) in steps.iter().enumerate() {
                    @for j in above(step, &number) {
                        @let (from, to) = (&places[j], &places[i]);
                        @let (y0, y1) = (from.y + BOX.1, to.y);
                        @let bend = 0.5 * (y1 - y0);
                        path class="wire" d=(format!("M{:.1} {y0:.1}C{:.1} {:.1} {:.1} {:.1} {:.1} {y1:.1}", from.x, from.x, y0 + bend, to.x, y1 - bend, to.x)) {}
                    }
                }
                @for (step, place) in steps.iter().zip(&places) {
                    @let (x, y) = (place.x - BOX.0 / 2.0, place.y);
                    g class=(if step.reused < step.clips { "node" } else { "node reused" }) {
                        title { (step.name) " = " (step.method) ", " (state(step)) ", " (step.why) }
                        rect x=(format!("{x:.1}")) y=(format!("{y:.1}")) width=(BOX.0) height=(BOX.1) rx="3" {}
                        rect class="work" x=(format!("{x:.1}")) y=(format!("{:.1}", y + BOX.1 - 3.0)) height="3"
                            width=(format!("{:.1}", BOX.0 * step.seconds / longest)) {}
                        text class="step" x=(format!("{:.1}", x + 7.0)) y=(format!("{:.1}", y + 15.0)) { (short(&step.name, 15)) }
                        text class="method" x=(format!("{:.1}", x + 7.0)) y=(format!("{:.1}", y + 30.0)) { (short(&step.method, 19)) }
                        text class="time" x=(format!("{:.1}", x + BOX.0 - 6.0)) y=(format!("{:.1}", y + 15.0)) text-anchor="end" { (state(step)) }
                        @if step.clips > 1 {
                            text class="time" x=(format!("{:.1}", x + BOX.0 - 6.0)) y=(format!("{:.1}", y + 30.0)) text-anchor="end" { "× " (step.clips) }
                        }
                    }
                }
            }
        }
        p class="key" { "Each box is a step, with its method and work; the bar along its foot is its share of the longest. A dashed box was taken from the cache." @if clips > 1 { " × " (clips) ": once for each clip, work of all together." } }
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
        let steps = nodes(&[
            step("clip", &[]),
            step("found", &["frames <- clip.frames"]),
            step("stacked", &["frames <- clip.frames", "table <- found.table"]),
            step("results.picture", &["image <- stacked.image"]),
        ]);
        assert_eq!(rows(&steps), [0, 1, 2, 3]);
        let (places, height) = places(&steps);
        assert!(places.windows(2).all(|p| p[0].y < p[1].y) && height > places[3].y);
    }

    #[test]
    fn what_was_done_on_every_clip_is_one_box() {
        let list = nodes(&[
            step("clip[1]", &[]),
            step("clip[2]", &[]),
            step("found[1]", &["frames <- clip[1].frames"]),
            step("found[2]", &["frames <- clip[2].frames"]),
            step("whole", &["image <- found[1].table", "image <- found[2].table"]),
        ]);
        assert_eq!(
            list.iter().map(|n| (n.name.as_str(), n.clips)).collect::<Vec<_>>(),
            [("clip", 2), ("found", 2), ("whole", 1)]
        );
        assert_eq!(list[2].before, ["found"]);
        assert_eq!(rows(&list), [0, 1, 2]);
    }
}
