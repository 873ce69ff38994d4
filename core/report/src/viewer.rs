//! Pictures under a movable edge: any two of them, side by side, blinking, and larger.

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

/// Most bytes of pictures that lie under the edge: with many clips, those of the last ones stay in the run's folder.
const MOST_BYTES: usize = 2_200_000;
/// Enlargements to choose from.
const SIZES: [f64; 6] = [1.0, 2.0, 3.0, 4.0, 6.0, 8.0];

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

/// Whether a picture is of one stem, and of which clip: `best-frame-2` is that of the second.
fn of_clip(name: &str, stem: &str) -> Option<usize> {
    match name.strip_prefix(stem)? {
        "" => Some(0),
        rest => rest.strip_prefix('-')?.parse().ok().filter(|n| *n > 0),
    }
}

/// Single frames of a clip as thumbnails: best, median, worst. `clip` counts from 1 where there are several, else 0.
pub(crate) fn thumbnails(pictures: &[Picture], clip: usize) -> Markup {
    let find = |name: &str| pictures.iter().find(|p| of_clip(&p.name, name) == Some(clip));
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

/// A picture that can be laid over another.
pub(crate) struct View<'p> {
    /// What it shows.
    pub words: String,
    /// Its address, or the id of the picture of the page that it is a copy of.
    pub source: Source<'p>,
}

/// Where a view comes from.
pub(crate) enum Source<'p> {
    Data(&'p str),
    CopyOf(String),
}

/// How views are shown at first.
pub(crate) struct Look<'l> {
    pub label: &'l str,
    pub width: u32,
    pub height: u32,
    /// The picture left of the edge, the one right of it, and where the edge is, percent.
    pub left: usize,
    pub right: usize,
    pub edge: u32,
    pub smooth: bool,
}

/// The picture of a run and its controls.
pub(crate) fn viewer(pictures: &[Picture]) -> Markup {
    let Some(main) = main_picture(pictures) else { return html! {} };
    let mut views = vec![View { words: "the finished picture".into(), source: Source::Data(&main.data) }];
    let mut others: Vec<(usize, String, &Picture)> = Vec::new();
    for picture in pictures.iter().filter(|p| p.name != main.name) {
        let known = |list: &[(&str, &'static str)]| {
            list.iter().find_map(|(stem, words)| of_clip(&picture.name, stem).map(|clip| (clip, *words)))
        };
        match (known(&OTHERS), known(&APART)) {
            (Some((0, words)), _) => others.push((0, words.into(), picture)),
            (Some((clip, words)), _) => others.push((clip, format!("{words} of clip {clip}"), picture)),
            (None, None) => others.push((usize::MAX, picture.name.replace('-', " "), picture)),
            (None, Some(_)) => {}
        }
    }
    let place = |words: &str| OTHERS.iter().position(|(_, known)| words.starts_with(known));
    others.sort_by_key(|(clip, words, _)| (*clip, place(words)));
    let mut bytes = main.data.len();
    let shown = others.iter().take_while(|(.., picture)| {
        bytes += picture.data.len();
        bytes <= MOST_BYTES
    });
    views.extend(shown.map(|(_, words, picture)| View { words: words.clone(), source: Source::Data(&picture.data) }));
    let left_out = others.len() + 1 - views.len();
    let look =
        Look { label: "the picture", width: main.width, height: main.height, left: 1, right: 0, edge: 0, smooth: true };
    html! {
        (stage(&views, &look))
        p class="key" {
            (main.width) " × " (main.height) " px."
            @if main.by > 1 { " Shown " (main.by) " times smaller than it is in " code { "results/" } "." }
            @if views.len() > 1 { " Move the edge to lay " (views[1].words) ", or another of the list, over the left part; or let the two blink." }
            @if left_out > 0 { " " (left_out) " more lie in " code { "results/" } "." }
        }
    }
}

/// Pictures and their controls. Works by keyboard: the edge is a slider, blinking a button, the rest are lists.
pub(crate) fn stage(views: &[View<'_>], look: &Look<'_>) -> Markup {
    // The largest choice that makes a picture about as wide as a column of text; the script shrinks it to a small screen.
    let wanted = (560.0 / f64::from(look.width.max(1))).round();
    let zoom = SIZES.into_iter().rfind(|size| *size <= wanted).unwrap_or(1.0);
    let copies = views.iter().any(|v| matches!(v.source, Source::CopyOf(_)));
    let several = views.len() > 1;
    let choice = |label: &str, class: &str, chosen: usize| {
        html! {
            label { (label) " "
                select class=(class) {
                    @for (index, view) in views.iter().enumerate() { option selected[index == chosen] { (view.words) } }
                }
            }
        }
    };
    html! {
        // Copies are filled in by the script: without it there is nothing to see.
        section class="look" aria-label=(look.label) hidden[copies] {
            div class="stage" data-width=(look.width) {
                div class="field" tabindex="0" role="group" aria-label=(format!("{}, to be scrolled when enlarged", look.label)) {
                    div class=(if look.smooth { "sheet" } else { "sheet square" })
                        style=(format!("width:{:.0}px;aspect-ratio:{}/{}", f64::from(look.width) * zoom, look.width, look.height)) {
                        @for (index, view) in views.iter().enumerate() {
                            @match &view.source {
                                Source::Data(address) => { img class="view" src=(address) alt=(view.words) hidden[index != look.right]; }
                                Source::CopyOf(id) => { img class="view" data-copy=(id) alt=(view.words) hidden[index != look.right]; }
                            }
                        }
                        @if several { div class="edge" aria-hidden="true" hidden {} }
                    }
                }
                @if several { p class="now" { (views[look.right].words) } }
                div class="controls" {
                    @if several {
                        (choice("left of the edge", "left-of", look.left))
                        (choice("right of it", "right-of", look.right))
                        label class="grow" { "edge "
                            input class="slide" type="range" min="0" max="100" value=(look.edge) step="1" aria-valuetext=(format!("{} percent", look.edge));
                        }
                        button class="blink" type="button" aria-pressed="false" { "Blink" }
                    }
                    label { "size "
                        select class="zoom" {
                            option value="fit" { "as wide as the page" }
                            @for size in SIZES { option value=(size) selected[size == zoom] { (size) "×" } }
                        }
                    }
                    label { input class="smooth" type="checkbox" checked[look.smooth]; " smooth" }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_of_a_clip_are_known_by_their_number() {
        assert_eq!(of_clip("best-frame", "best-frame"), Some(0));
        assert_eq!(of_clip("best-frame-12", "best-frame"), Some(12));
        for name in ["best-frames", "best-frame-", "best-frame-0", "best-frame-x", "worst-frame-1"] {
            assert_eq!(of_clip(name, "best-frame"), None, "{name}");
        }
    }

    #[test]
    fn any_two_views_can_be_chosen_and_all_have_words() {
        let views: Vec<View<'_>> = ["a <b>", "c", "d"]
            .map(|words| View { words: words.into(), source: Source::CopyOf(format!("cell{words}")) })
            .into();
        let look = Look { label: "runs", width: 100, height: 100, left: 0, right: 2, edge: 50, smooth: false };
        let page = stage(&views, &look).into_string();
        assert_eq!(page.matches("<option").count(), 2 * 3 + 1 + SIZES.len());
        assert_eq!(page.matches("alt=\"").count(), 3);
        assert!(page.contains("alt=\"a &lt;b&gt;\"") && page.contains("aria-pressed=\"false\""));
    }
}
