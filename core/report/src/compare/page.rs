//! The comparison as a page, and as plain lines.

use maud::{Markup, html};

use super::measures::Measured;
use super::sheet::Sheet;
use super::{Comparison, Row, RunOf, SIGMAS, Uncertain, Unit};
use crate::document::document;
use crate::page::SCRIPT;
use crate::verdict::capital;
use crate::viewer::{Look, Source, View, stage};

const OWN_STYLE: &str = "
main{max-width:76rem}
.cells{display:flex;flex-wrap:wrap;gap:1rem}.cells figure{margin:0}.cells img{max-width:100%;image-rendering:pixelated}.cells figcaption{max-width:18rem;overflow-wrap:anywhere}
table.compare{font-variant-numeric:tabular-nums;font-size:.86rem}
table.compare th,table.compare td{padding:.25rem .5rem;text-align:right;vertical-align:top}
table.compare th:first-child,table.compare td:first-child{padding-left:0}
table.compare thead th{vertical-align:bottom}
table.compare td{white-space:nowrap}
table.compare .words{text-align:left;white-space:normal;min-width:5.5rem}
table.compare .best td:first-child{font-weight:700}";

/// Digits that a number of that uncertainty deserves.
fn rounded(value: f64, sigma: Option<f64>) -> String {
    let digits = match sigma.filter(|s| *s > 0.0 && s.is_finite()) {
        Some(sigma) => (1.0 - sigma.log10().floor()).clamp(0.0, 8.0) as usize,
        None => (3.0 - value.abs().max(1e-6).log10().floor()).clamp(0.0, 8.0) as usize,
    };
    format!("{value:.digits$}")
}

fn uncertain(value: Option<Uncertain>) -> String {
    value.map_or_else(String::new, |u| match u.sigma {
        Some(sigma) => format!("{} ± {}", rounded(u.value, u.sigma), rounded(sigma, u.sigma)),
        None => rounded(u.value, None),
    })
}

fn plain(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(String::new, |v| format!("{v:.digits$}"))
}

/// A column of the table: its head, its cells, and whether they are words.
struct Column {
    head: String,
    cells: Vec<String>,
    words: bool,
}

/// The columns that say something: those that no run fills are left out, and the clip and the way where all are alike.
fn columns(rows: &[Row], unit: Unit) -> Vec<Column> {
    let in_resolution = !matches!(unit, Unit::White | Unit::Percent);
    let per = if in_resolution { unit.name() } else { "cycles/px" };
    let sign = |u: Uncertain| format!("{}{}", if u.value > 0.0 { "+" } else { "" }, uncertain(Some(u)));
    let frames = |used: Option<u64>, total: Option<u64>| match (used, total) {
        (Some(used), Some(total)) => format!("{used} of {total}"),
        (None, Some(total)) => total.to_string(),
        _ => String::new(),
    };
    let millionths = |u: Uncertain| Uncertain { value: 1e6 * u.value, sigma: u.sigma.map(|s| 1e6 * s) };
    let column = |head: &str, words: bool, of: &dyn Fn(&Row) -> String| Column {
        head: head.into(),
        cells: rows.iter().map(of).collect(),
        words,
    };
    let measured = |head: &str, of: &dyn Fn(&Measured) -> String| {
        column(head, false, &|row| row.measures.as_ref().map(of).unwrap_or_default())
    };
    let resolution = |row: &Row| {
        let own = row.measures.as_ref().and_then(|m| m.resolution_cycles_per_px);
        uncertain(if in_resolution { row.ranked } else { own })
    };
    let list = vec![
        column("run", false, &|row| row.number.to_string()),
        column("way", true, &|row| row.name.clone()),
        column("clip", true, &|row| row.clip.clone()),
        column(&format!("resolution, {per}"), false, &resolution),
        measured("period, arcsec", &|m| plain(m.resolution_period_arcsec, 2)),
        measured("share of cut-off", &|m| plain(m.resolution_share, 2)),
        measured("noise, millionths of white", &|m| uncertain(m.noise.map(millionths))),
        measured("bright rim, %", &|m| plain(m.limb_overshoot_percent, 2)),
        measured("frames", &|m| frames(m.frames_used, m.frames_total)),
        measured("seconds", &|m| format!("{:.1}", m.seconds)),
        column("limited by", true, &|row| {
            row.measures.as_ref().and_then(|m| m.limiting_factor.clone()).unwrap_or_default()
        }),
        column("rank", false, &|row| row.rank.map_or_else(String::new, |rank| rank.to_string())),
        column(&format!("less the first, {}", unit.name()), false, &|row| {
            row.difference.map_or_else(String::new, sign)
        }),
        column("verdict", true, &|row| {
            row.failure.clone().map_or_else(|| row.verdict.clone(), |why| format!("failed: {why}"))
        }),
    ];
    let alike = |c: &Column| c.cells.windows(2).all(|pair| pair[0] == pair[1]);
    let dull = |c: &Column| c.cells.iter().all(String::is_empty) || (["way", "clip"].contains(&&*c.head) && alike(c));
    list.into_iter().filter(|c| rows.len() < 2 || !dull(c)).collect()
}

/// The table as plain lines.
pub(crate) fn lines(rows: &[Row], unit: Unit) -> Vec<String> {
    let columns = columns(rows, unit);
    let table: Vec<Vec<&String>> = std::iter::once(columns.iter().map(|c| &c.head).collect())
        .chain((0..rows.len()).map(|r| columns.iter().map(|c| &c.cells[r]).collect()))
        .collect();
    let width = |c: usize| table.iter().map(|row| row[c].chars().count()).max().unwrap_or(0);
    let line = |row: &Vec<&String>| {
        let cells = row.iter().enumerate().map(|(c, text)| format!("{text:width$}", width = width(c)));
        cells.collect::<Vec<_>>().join("  ").trim_end().to_string()
    };
    table.iter().map(line).collect()
}

/// The page.
pub(crate) fn page(
    comparison: &Comparison,
    rows: &[Row],
    unit: Unit,
    sheet: Option<&Sheet>,
    conclusion: &str,
) -> String {
    let title = title(comparison);
    let body = html! {
        header {
            h1 { (title) }
            p class="lead" { (capital(conclusion)) "." }
        }
        @if let Some(sheet) = sheet { (over(rows, sheet)) (pictures(rows, sheet)) }
        (numbers(rows, unit))
        (ways(rows))
    };
    document(&title, OWN_STYLE, &body, SCRIPT)
}

fn title(comparison: &Comparison) -> String {
    let count = |of: fn(&RunOf) -> &str| {
        let mut list: Vec<&str> = comparison.runs.iter().map(of).collect();
        list.sort_unstable();
        list.dedup();
        list.len()
    };
    let (ways, clips) = (count(|r| &r.name), count(|r| &r.clip));
    let one_clip = comparison.runs.first().map_or("", |r| &r.clip);
    match (ways, clips) {
        (_, 0 | 1) => format!("{} in {ways} ways on {one_clip}", comparison.recipe),
        (1, _) => format!("{} on {clips} clips", comparison.recipe),
        _ => format!("{} in {ways} ways on {clips} clips", comparison.recipe),
    }
}

/// What to call a run: its number, and what sets it apart.
fn label(row: &Row, rows: &[Row]) -> String {
    let alike = |of: fn(&Row) -> &str| rows.windows(2).all(|pair| of(&pair[0]) == of(&pair[1]));
    let mut words = vec![row.number.to_string()];
    if !alike(|r| &r.name) || rows.len() < 2 {
        words.push(row.name.clone());
    }
    if !alike(|r| &r.clip) {
        words.push(row.clip.clone());
    }
    words.join(" · ")
}

/// Any two of the runs under a movable edge, or blinking: the first, and the best of the others.
fn over(rows: &[Row], sheet: &Sheet) -> Markup {
    let found: Vec<&Row> =
        sheet.cells.iter().filter_map(|(number, _)| rows.iter().find(|row| row.number == *number)).collect();
    if found.len() < 2 {
        return html! {};
    }
    let views: Vec<View<'_>> = found
        .iter()
        .map(|row| View { words: label(row, rows), source: Source::CopyOf(format!("cell{}", row.number)) })
        .collect();
    let best = (1..found.len()).min_by_key(|i| found[*i].rank.unwrap_or(usize::MAX)).unwrap_or(1);
    let side = sheet.side as u32;
    let look = Look {
        label: "two runs, one over the other",
        width: side,
        height: side,
        left: 0,
        right: best,
        edge: 50,
        smooth: true,
    };
    stage(&views, &look)
}

fn pictures(rows: &[Row], sheet: &Sheet) -> Markup {
    // Small pictures enlarged by whole pixels, to about as much as fits three to a row.
    let differ = rows.iter().any(|row| row.rank.is_some_and(|rank| rank > 1));
    let shown = sheet.side * (300 / sheet.side.max(1)).max(1);
    html! {
        section {
            h2 { "Side by side" }
            div class="cells" {
                @for (number, data) in &sheet.cells {
                    @if let Some(row) = rows.iter().find(|row| row.number == *number) {
                        @let name = label(row, rows);
                        figure {
                            img id=(format!("cell{number}")) src=(data) alt=(format!("run {name}")) width=(shown) height=(shown);
                            figcaption { (name) @if row.rank == Some(1) && differ { " · best by what ranks" } }
                        }
                    }
                }
            }
            p class="key" {
                "The same part of each picture, " (sheet.side) " × " (sheet.side) " px, with the same stretch for all runs of a \
                 clip: linear from the sky to the target's bright end as the first of them has it, then the screen's curve. "
                @if sheet.resampled { "Pictures of other scales were resampled to the finest. " }
                "In contact-sheet.png they lie in rows of " (sheet.columns) ", with their numbers."
            }
        }
    }
}

fn numbers(rows: &[Row], unit: Unit) -> Markup {
    let columns = columns(rows, unit);
    let class = |c: &Column| c.words.then_some("words");
    html! {
        section {
            h2 { "What was measured" }
            div class="scroll" tabindex="0" role="group" aria-label="table of measures" {
                table class="compare" {
                    thead { tr { @for c in &columns { th scope="col" class=[class(c)] { (c.head) } } } }
                    tbody {
                        @for (r, row) in rows.iter().enumerate() {
                            tr class=[(row.rank == Some(1)).then_some("best")] { @for c in &columns { td class=[class(c)] { (c.cells[r]) } } }
                        }
                    }
                }
            }
            p class="key" {
                "Resolution: where the two half-stacks stop agreeing (their correlation falls below 1/7), in the green or only \
                 channel; ± one standard deviation, from the scatter of the correlation and its slope there; without ± they \
                 agree up to the pixels' limit, and it is at least this. Two runs differ only if they lie more than " (SIGMAS)
                " standard deviations of their difference apart; runs of one clip share frames and their noise, so that this \
                 errs towards no difference. Noise: of detail of 1 px in the picture. Bright rim: largest mean excess on a ring \
                 about the limb. Seconds: what a run shared with an earlier one took it nothing. Runs that do not differ from \
                 the best of their group share its rank; those of rank 1 are in bold."
            }
        }
    }
}

fn ways(rows: &[Row]) -> Markup {
    html! {
        section {
            h2 { "The runs" }
            ol {
                @for row in rows {
                    li {
                        @match &row.folder {
                            Some(folder) => { a href=(format!("{}/report.html", folder.display()).replace('\\', "/")) { (row.name) " · " (row.clip) } }
                            None => { (row.name) " · " (row.clip) ": failed" }
                        }
                        @if !row.settings.is_empty() { " " code { (row.settings.join(" ")) } }
                    }
                }
            }
        }
    }
}
