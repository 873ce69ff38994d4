//! The comparison as a page, and as plain lines.

use maud::{Markup, html};

use super::sheet::Sheet;
use super::{Comparison, Row, SIGMAS, Uncertain, Unit};
use crate::document::document;
use crate::verdict::capital;

const OWN_STYLE: &str = "
.cells{display:flex;flex-wrap:wrap;gap:1rem}.cells figure{margin:0}.cells img{max-width:100%;image-rendering:pixelated}.cells figcaption{max-width:18rem}
.scroll{overflow-x:auto}table.compare{border-collapse:collapse;font-variant-numeric:tabular-nums}
table.compare th,table.compare td{padding:.25rem .7rem;text-align:right;border-bottom:1px solid currentColor}
table.compare th:nth-child(2),table.compare td:nth-child(2),table.compare th:nth-child(3),table.compare td:nth-child(3),
table.compare td:last-child,table.compare th:last-child{text-align:left}";

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

/// The cells of a run's row in the table.
fn cells(row: &Row, unit: Unit) -> Vec<String> {
    let m = row.measures.clone().unwrap_or_default();
    let frames = match (m.frames_used, m.frames_total) {
        (Some(used), Some(total)) => format!("{used} of {total}"),
        (None, Some(total)) => total.to_string(),
        _ => String::new(),
    };
    let ranked_is_resolution = !matches!(unit, Unit::White | Unit::Percent);
    let resolution = if ranked_is_resolution { row.ranked } else { m.resolution_cycles_per_px };
    let sign = |u: Uncertain| format!("{}{}", if u.value > 0.0 { "+" } else { "" }, uncertain(Some(u)));
    vec![
        row.number.to_string(),
        row.name.clone(),
        row.clip.clone(),
        uncertain(resolution),
        plain(m.resolution_period_arcsec, 2),
        plain(m.resolution_share, 2),
        uncertain(m.noise),
        plain(m.limb_overshoot_percent, 2),
        frames,
        plain(row.measures.as_ref().map(|m| m.seconds), 1),
        row.rank.map_or_else(String::new, |rank| rank.to_string()),
        row.difference.map_or_else(String::new, sign),
        row.failure.clone().map_or_else(|| row.verdict.clone(), |why| format!("failed: {why}")),
    ]
}

fn heads(unit: Unit) -> Vec<String> {
    let resolution = match unit {
        Unit::White | Unit::Percent => "cycles/px",
        _ => unit.name(),
    };
    vec![
        "run".into(),
        "way".into(),
        "clip".into(),
        format!("resolution, {resolution}"),
        "period, arcsec".into(),
        "share of cut-off".into(),
        "noise, white levels".into(),
        "bright rim, %".into(),
        "frames".into(),
        "seconds".into(),
        "rank".into(),
        format!("less the first, {}", unit.name()),
        "verdict".into(),
    ]
}

/// The table as plain lines; columns that no run fills are left out.
pub(crate) fn lines(rows: &[Row], unit: Unit) -> Vec<String> {
    let table: Vec<Vec<String>> = std::iter::once(heads(unit)).chain(rows.iter().map(|r| cells(r, unit))).collect();
    let columns: Vec<usize> =
        (0..table[0].len()).filter(|c| table[1..].iter().any(|row| !row[*c].is_empty())).collect();
    let width = |c: usize| table.iter().map(|row| row[c].chars().count()).max().unwrap_or(0);
    let line = |row: &Vec<String>| {
        let cells = columns.iter().map(|&c| format!("{:width$}", row[c], width = width(c)));
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
    let title = format!("{} in {} ways", comparison.recipe, rows.len());
    let body = html! {
        header {
            h1 { (title) }
            p class="lead" { (capital(conclusion)) "." }
        }
        (pictures(rows, sheet))
        (numbers(rows, unit))
        (ways(rows))
    };
    document(&title, OWN_STYLE, &body, "")
}

fn pictures(rows: &[Row], sheet: Option<&Sheet>) -> Markup {
    let Some(sheet) = sheet else { return html! {} };
    let row = |number: usize| rows.iter().find(|row| row.number == number);
    // Small pictures enlarged by whole pixels, to about as much as fits three to a row.
    let shown = sheet.side * (300 / sheet.side.max(1)).max(1);
    html! {
        section {
            h2 { "Side by side" }
            div class="cells" {
                @for (number, data) in &sheet.cells {
                    @let name = row(*number).map_or("", |r| r.name.as_str());
                    @let clip = row(*number).map_or("", |r| r.clip.as_str());
                    figure {
                        img src=(data) alt=(format!("run {number}: {name}, {clip}")) width=(shown) height=(shown);
                        figcaption { (number) " · " (name) " · " (clip) }
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
    html! {
        section {
            h2 { "What was measured" }
            div class="scroll" {
                table class="compare" {
                    thead { tr { @for head in heads(unit) { th scope="col" { (head) } } } }
                    tbody { @for row in rows { tr { @for cell in cells(row, unit) { td { (cell) } } } } }
                }
            }
            p class="key" {
                "Resolution: where the two half-stacks stop agreeing (their correlation falls below 1/7), in the green or only \
                 channel; ± one standard deviation, from the scatter of the correlation and its slope there. Two runs differ \
                 only if they lie more than " (SIGMAS) " standard deviations of their difference apart; runs of one clip share \
                 frames and their noise, so that this errs towards no difference. Noise: of detail of 1 px in the picture. \
                 Bright rim: largest mean excess on a ring about the limb. Seconds: what a run shared with an earlier one took \
                 it nothing. Runs that do not differ from the best of their group share its rank."
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
