//! The picture, with another under a movable edge, and closer looks.

use maud::{Markup, html};

use crate::picture::Picture;

/// File stems of pictures made to be compared with, and what to call them.
const OTHERS: [(&str, &str); 4] = [
    ("best-frame", "the best single frame"),
    ("plain-mean", "the plain mean of up to a hundred usable frames"),
    ("median-frame", "the median single frame"),
    ("worst-frame", "the worst single frame"),
];

/// File stems of pictures that stand for themselves: of another size, they cannot lie over the picture.
const APART: [(&str, &str); 3] = [
    ("labelled", "the picture with labels"),
    ("map", "the map of the globe"),
    ("turned", "the globe upright and turned"),
];

/// Labelled copy, map and the like, one below the other.
pub(crate) fn apart(pictures: &[Picture]) -> Markup {
    let found: Vec<(&Picture, &str)> = APART
        .iter()
        .filter_map(|(name, words)| pictures.iter().find(|p| p.name == *name).map(|p| (p, *words)))
        .collect();
    html! {
        @for (picture, words) in found {
            figure class="apart" {
                img src=(picture.data) alt=(format!("{words}, {} by {} pixels", picture.width, picture.height));
                figcaption { (words) }
            }
        }
    }
}

/// The picture that a run is about.
pub(crate) fn main_picture(pictures: &[Picture]) -> Option<&Picture> {
    pictures.iter().find(|p| p.name == "picture").or(pictures.first())
}

/// Single frames as thumbnails: best, median, worst.
pub(crate) fn thumbnails(pictures: &[Picture]) -> Markup {
    let find = |name: &str| pictures.iter().find(|p| p.name == name);
    let singles: Vec<(&Picture, &str)> = [("best-frame", "best"), ("median-frame", "median"), ("worst-frame", "worst")]
        .into_iter()
        .filter_map(|(name, word)| find(name).map(|p| (p, word)))
        .collect();
    html! {
        @if !singles.is_empty() {
            div class="thumbnails" {
                @for (picture, word) in singles {
                    figure {
                        img src=(picture.thumbnail) alt=(format!("the {word} frame"));
                        figcaption { (word) " frame" }
                    }
                }
            }
        }
    }
}

/// The picture and its controls. Works by keyboard: the edge is a slider, the rest are lists.
pub(crate) fn viewer(pictures: &[Picture]) -> Markup {
    let Some(main) = main_picture(pictures) else { return html! {} };
    let known = OTHERS
        .iter()
        .filter_map(|(name, words)| pictures.iter().find(|p| p.name == *name).map(|p| (p, (*words).to_string())));
    let rest = pictures
        .iter()
        .filter(|p| p.name != main.name && !OTHERS.iter().chain(&APART).any(|(name, _)| p.name == *name))
        .map(|p| (p, p.name.replace('-', " ")));
    let others: Vec<(&Picture, String)> = known.chain(rest).collect();
    let zoom = (560.0 / f64::from(main.width.max(1))).clamp(1.0, 4.0).round();
    html! {
        section class="look" aria-label="the picture" {
            div class="stage" data-width=(main.width) data-height=(main.height) data-zoom=(zoom) {
                div class="field" tabindex="0" role="group" aria-label="the picture, to be scrolled when enlarged" {
                    div class="sheet" style=(format!("width:{:.0}px;aspect-ratio:{}/{}", f64::from(main.width) * zoom, main.width, main.height)) {
                        img class="under" src=(main.data) alt=(format!("the finished picture, {} by {} pixels", main.width, main.height));
                        @for (index, (picture, words)) in others.iter().enumerate() {
                            img class="over" src=(picture.data) alt=(words) hidden[index > 0];
                        }
                        @if !others.is_empty() { div class="edge" aria-hidden="true" {} }
                    }
                }
                div class="controls" {
                    @if !others.is_empty() {
                        label { "left of the edge "
                            select class="other" {
                                @for (_, words) in &others { option { (words) } }
                            }
                        }
                        label class="grow" { "edge "
                            input class="slide" type="range" min="0" max="100" value="0" step="1" aria-valuetext="0 percent";
                        }
                    }
                    label { "size "
                        select class="zoom" {
                            option value="fit" { "as wide as the page" }
                            @for size in [1.0, 2.0, 3.0, 4.0, 6.0, 8.0] {
                                option value=(size) selected[size == zoom] { (size) "×" }
                            }
                        }
                    }
                    label { input class="smooth" type="checkbox" checked; " smooth" }
                }
            }
            p class="key" {
                (main.width) " × " (main.height) " px."
                @if main.by > 1 { " Shown " (main.by) " times smaller than it is in " code { "results/" } "." }
                @if !others.is_empty() { " Move the edge to lay " (others[0].1) ", or another of the list, over the left part; right of it is the finished picture." }
            }
        }
    }
}
