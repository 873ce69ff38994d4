//! The comparison as a page, and as plain lines.

use maud::{Markup, html};

use super::measures::Measured;
use super::sheet::Sheet;
use super::{Comparison, Conclusion, Measure, Row, RunOf, SIGMAS, Told, Uncertain, Unit};
use crate::document::document;
use crate::page::SCRIPT;
use crate::verdict::capital;
use crate::viewer::{Look, Source, View, stage};

const OWN_STYLE: &str = "
main{max-width:76rem}
.cells{display:flex;flex-wrap:wrap;gap:1rem}.cells figure{margin:0}.cells img{max-width:100%;image-rendering:pixelated}.cells figcaption{max-width:18rem;overflow-wrap:anywhere}.cells+.key{margin-top:1rem}header ul{margin:-.6rem 0 1rem;padding-left:1.3rem}
table.compare{font-variant-numeric:tabular-nums;font-size:.86rem}
table.compare th,table.compare td{padding:.25rem .5rem;text-align:right;vertical-align:top}
table.compare th:first-child,table.compare td:first-child{padding-left:0}
table.compare thead th{vertical-align:bottom}
table.compare td{white-space:nowrap}
ol code{overflow-wrap:anywhere}
.sideways{display:none}
@media (max-width:40rem){.sideways{display:block}}
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

/// A column of the table: its head, its unit, its cells, and whether they are words.
struct Column {
    head: String,
    unit: &'static str,
    cells: Vec<String>,
    words: bool,
}

impl Column {
    fn title(&self) -> String {
        if self.unit.is_empty() { self.head.clone() } else { format!("{}, {}", self.head, self.unit) }
    }

    /// Whether it says of the runs what may well be the same for all.
    fn may_be_shared(&self) -> bool {
        !["run", "clip", "seconds", "rank", LESS, "verdict"].contains(&self.head.as_str())
    }
}

/// Head of the column of differences.
const LESS: &str = "less the first";

/// The table: the columns that say something of a run, and what is the same for all.
struct Numbers {
    columns: Vec<Column>,
    /// Words and value.
    shared: Vec<(String, String)>,
}

impl Numbers {
    /// Columns that no run fills are left out; those in which all runs are alike are told beside the table.
    fn of(rows: &[Row], unit: Unit, told: &Told) -> Self {
        let (mut columns, mut shared) = (Vec::new(), Vec::<(String, String)>::new());
        for column in all_columns(rows, unit, told) {
            let alike = rows.len() > 1 && column.cells.windows(2).all(|pair| pair[0] == pair[1]);
            if column.cells.iter().all(String::is_empty) || (alike && column.head == "clip") {
            } else if alike && column.may_be_shared() {
                let value = format!("{} {}", column.cells[0], column.unit).trim().to_string();
                match shared.iter_mut().find(|(head, _)| *head == column.head) {
                    Some((_, other)) => *other = format!("{other} = {value}"),
                    None => shared.push((column.head, value)),
                }
            } else {
                columns.push(column);
            }
        }
        Self { columns, shared }
    }

    fn shared_words(&self) -> Option<String> {
        let words: Vec<String> = self.shared.iter().map(|(head, value)| format!("{head} {value}")).collect();
        (!words.is_empty()).then(|| format!("the same for all runs: {}", words.join(", ")))
    }
}

fn all_columns(rows: &[Row], unit: Unit, told: &Told) -> Vec<Column> {
    let sign = |u: Uncertain| format!("{}{}", if u.value > 0.0 { "+" } else { "" }, uncertain(Some(u)));
    let frames = |used: Option<u64>, total: Option<u64>| match (used, total) {
        (Some(used), Some(total)) => format!("{used} of {total}"),
        (None, Some(total)) => total.to_string(),
        _ => String::new(),
    };
    let millionths = |u: Uncertain| Uncertain { value: 1e6 * u.value, sigma: u.sigma.map(|s| 1e6 * s) };
    let column = |head: &str, unit: &'static str, words: bool, of: &dyn Fn(&Row) -> String| Column {
        head: head.into(),
        unit,
        cells: rows.iter().map(of).collect(),
        words,
    };
    let measured = |head: &str, unit: &'static str, of: &dyn Fn(&Measured) -> String| {
        column(head, unit, false, &|row| row.measures.as_ref().map(of).unwrap_or_default())
    };
    let resolution = |unit: Unit| measured("resolution (period)", unit.of_period(), &|m| uncertain(m.period(unit)));
    let of_disc = if unit == Unit::Disc { Some(resolution(Unit::Disc)) } else { None };
    // A difference of frequencies as that of their periods: both have the same ratio to their uncertainty.
    let difference = |row: &Row| {
        let difference = row.difference?;
        let factor = match unit {
            Unit::White => 1e6,
            Unit::Percent => 1.0,
            _ => {
                let period = |row: &Row| row.measures.as_ref()?.period(unit).map(|p| p.value);
                let percent = if unit == Unit::Disc { 100.0 } else { 1.0 };
                -period(row)? * period(&rows[0])? / percent
            }
        };
        let sigma = difference.sigma.map(|s| s * factor.abs());
        Some(Uncertain { value: difference.value * factor, sigma })
    };
    let of_difference = match unit {
        Unit::White => "millionths of white",
        Unit::Percent => "%",
        _ => unit.of_period(),
    };
    let way = if told.what.is_empty() { "way" } else { &told.what };
    let mut list = vec![
        column("run", "", false, &|row| row.number.to_string()),
        column(way, "", true, &|row| told.own.get(row.number - 1).cloned().unwrap_or_default()),
        column("clip", "", true, &|row| row.clip.clone()),
        resolution(Unit::Px),
        resolution(Unit::Arcsec),
    ];
    list.extend(of_disc);
    list.extend([
        measured("share of cut-off", "", &|m| plain(m.resolution_share, 2)),
        measured("noise", "millionths of white", &|m| uncertain(m.noise.map(millionths))),
        measured("noise gain", "", &|m| plain(m.noise_gain, 2)),
        measured("bright rim", "%", &|m| plain(m.limb_overshoot_percent, 2)),
        measured("misfit to the stack", "", &|m| plain(m.reblur, 2)),
        measured("frames used", "", &|m| frames(m.frames_used, m.frames_total)),
        measured("seconds", "", &|m| format!("{:.1}", m.seconds)),
        column("limited by", "", true, &|row| {
            row.measures.as_ref().and_then(|m| m.limiting_factor.clone()).unwrap_or_default()
        }),
        column("rank", "", false, &|row| row.rank.map_or_else(String::new, |rank| rank.to_string())),
        column(LESS, of_difference, false, &|row| difference(row).map_or_else(String::new, sign)),
        column("verdict", "", true, &|row| {
            row.failure.clone().map_or_else(|| row.verdict.clone(), |why| format!("failed: {why}"))
        }),
    ]);
    if rows.iter().all(|row| row.rank.is_none() && row.failure.is_none()) {
        // Without a ranking a verdict would say the same of every run.
        list.pop();
    }
    list
}

/// The table as plain lines.
pub(crate) fn lines(rows: &[Row], unit: Unit, told: &Told) -> Vec<String> {
    let numbers = Numbers::of(rows, unit, told);
    let table: Vec<Vec<String>> = std::iter::once(numbers.columns.iter().map(Column::title).collect())
        .chain((0..rows.len()).map(|r| numbers.columns.iter().map(|c| c.cells[r].clone()).collect()))
        .collect();
    let width = |c: usize| table.iter().map(|row| row[c].chars().count()).max().unwrap_or(0);
    let line = |row: &Vec<String>| {
        let cells = row.iter().enumerate().map(|(c, text)| format!("{text:width$}", width = width(c)));
        cells.collect::<Vec<_>>().join("  ").trim_end().to_string()
    };
    table.iter().map(line).chain(numbers.shared_words()).collect()
}

/// The page.
pub(crate) fn page(
    comparison: &Comparison,
    rows: &[Row],
    unit: Unit,
    sheet: Option<&Sheet>,
    conclusion: &Conclusion,
    told: &Told,
) -> String {
    let title = title(comparison);
    let body = html! {
        header {
            h1 { (title) }
            p class="lead" { (capital(&conclusion.words)) "." }
            @if !conclusion.differences.is_empty() {
                p { "What differs:" }
                ul { @for line in &conclusion.differences { li { (line) } } }
            }
            @if let Some(caution) = conclusion.caution { p { (capital(caution)) "." } }
        }
        @if let Some(sheet) = sheet { (over(rows, sheet, told)) (pictures(rows, sheet, comparison.rank, told)) }
        (numbers(rows, unit, told))
        (ways(rows, told))
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

/// Any two of the runs under a movable edge, or blinking: the first, and the best of the others.
fn over(rows: &[Row], sheet: &Sheet, told: &Told) -> Markup {
    let found: Vec<&Row> =
        sheet.cells.iter().filter_map(|(number, _)| rows.iter().find(|row| row.number == *number)).collect();
    if found.len() < 2 {
        return html! {};
    }
    let views: Vec<View<'_>> = found
        .iter()
        .map(|row| View { words: told.short_label(row, rows), source: Source::CopyOf(format!("cell{}", row.number)) })
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

fn pictures(rows: &[Row], sheet: &Sheet, rank: Measure, told: &Told) -> Markup {
    // Small pictures enlarged by whole pixels, to about as much as fits three to a row.
    let differ = rows.iter().any(|row| row.rank.is_some_and(|rank| rank > 1));
    let best = if rank == Measure::Resolution { "best by what ranks" } else { "least of what ranks" };
    let shown = sheet.side * (300 / sheet.side.max(1)).max(1);
    html! {
        section {
            h2 { "Side by side" }
            @if !told.what.is_empty() || !told.shared.is_empty() {
                p class="key" {
                    @if !told.what.is_empty() { "What differs: " code { (told.what) } ". " }
                    @if !told.shared.is_empty() { "The same for all: " code { (told.shared.join(" ")) } "." }
                }
            }
            div class="cells" {
                @for (number, data) in &sheet.cells {
                    @if let Some(row) = rows.iter().find(|row| row.number == *number) {
                        @let name = told.label(row, rows);
                        figure {
                            img id=(format!("cell{number}")) src=(data) alt=(format!("run {name}")) width=(shown) height=(shown);
                            figcaption { (name) @if row.rank == Some(1) && differ { " · " (best) } }
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

fn numbers(rows: &[Row], unit: Unit, told: &Told) -> Markup {
    let numbers = Numbers::of(rows, unit, told);
    let class = |c: &Column| c.words.then_some("words");
    let ranks = rows.iter().any(|row| row.rank.is_some());
    let differ = rows.iter().any(|row| row.rank.is_some_and(|rank| rank > 1));
    html! {
        section {
            h2 { "What was measured" }
            p class="key sideways" { "The table is wider than the page: it scrolls sideways." }
            div class="scroll" tabindex="0" role="group" aria-label="table of measures" {
                table class="compare" {
                    thead { tr { @for c in &numbers.columns { th scope="col" class=[class(c)] { (c.title()) } } } }
                    tbody {
                        @for (r, row) in rows.iter().enumerate() {
                            tr class=[(row.rank == Some(1) && differ).then_some("best")] {
                                @for c in &numbers.columns { td class=[class(c)] { (c.cells[r]) } }
                            }
                        }
                    }
                }
            }
            @if let Some(words) = numbers.shared_words() { p { (capital(&words)) "." } }
            p class="key" {
                "Resolution: the period of the finest pattern on which the two half-stacks agree (their correlation falls \
                 below 1/7), in the green or only channel; smaller is finer, and half of it is the finest separate detail. \
                 ± is one standard deviation, from the scatter of the correlation and its slope there; without ± they agree \
                 up to the pixels' limit, and it is at most this. Noise: of detail of 1 px in the picture. Noise gain: noise \
                 of the picture over that of the stack, as the sharpening tells. Bright rim: largest mean excess on a ring \
                 about the limb. Misfit to the stack: mean square of stack less re-blurred picture over the noise's; far \
                 above 1 the picture shows what the stack does not hold, or lacks what it holds. Seconds: what a run shared \
                 with an earlier one took it nothing."
                @if ranks {
                    " Two runs differ only if they lie more than " (SIGMAS) " standard deviations of their difference apart; \
                     runs of one clip share frames and their noise, so that this errs towards no difference. Runs that do not \
                     differ from the best of their group share its rank"
                    @if differ { "; those of rank 1 are in bold" } "."
                }
            }
        }
    }
}

fn ways(rows: &[Row], told: &Told) -> Markup {
    html! {
        section {
            h2 { "The runs" }
            ol {
                @for row in rows {
                    @let label = told.label(row, rows);
                    @let words = label.split_once(" · ").map_or(row.clip.as_str(), |(_, words)| words);
                    li {
                        @match &row.folder {
                            Some(folder) => { a href=(format!("{}/report.html", folder.display()).replace('\\', "/")) { (words) } }
                            None => { (words) ": failed" }
                        }
                        @if !row.settings.is_empty() { " " code { (row.settings.join(" ")) } }
                    }
                }
            }
        }
    }
}
