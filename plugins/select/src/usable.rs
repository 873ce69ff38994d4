//! Rejects the frames that would spoil a stack, each with its reason.
//!
//! Transparency is the target's flux over the 90th percentile of the flux about the frame (a running percentile, so
//! that a setting target is not a cloud). A frame is rejected as: black; repeated (every measure equals the one
//! before); without target; cut off by the frame's edge; overexposed; clouded (transparency below a limit, or a jump
//! of its logarithm against a neighbour by more than 5 sigma and 5 %, or a target that hardly exceeds the noise); of
//! odd size (box or radius off the median by more than 6 sigma and a limit: a gust's smear, a broken frame). Sigmas are
//! 1.48 median absolute deviations. A brightness that changes for good from one frame to the next is told with its
//! frame: see `brightness`. Common practice, no source; limits from own simulation.

use std::sync::Arc;

use stillair_api::{
    Bound, ColumnSpec, Context, Description, Facts, Fault, Method, Node, Outcome, Parameter, Parameters, PortType,
    Shape, Table, Transform, Value, columns,
};
use stillair_maths::robust::{MAD_TO_SIGMA, mad, median, running_percentile};

use crate::brightness::step_warning;
use crate::choice::weight_spec;
use crate::verdict::{Reason, listed, nothing_usable, record};

/// Percentile of the flux that counts as a clear sky.
const CLEAR: f64 = 90.0;
/// A jump of transparency within one frame, in sigma and as a change of the logarithm.
const JUMP_SIGMA: f64 = 5.0;
const JUMP: f64 = 0.05;
/// A change of size, in sigma.
const SIZE_SIGMA: f64 = 6.0;
/// A change of size that is always allowed: two steps of the grid of 2 px that boxes are measured on.
const SIZE_STEP_PX: f64 = 4.0;
/// A target's brightness over the noise of one pixel below which it is taken to be hidden.
const FAINT: f64 = 1.5;

/// `select.usable`.
pub struct Usable;

impl Method for Usable {
    fn describe(&self) -> Description {
        let words: Vec<&str> = Reason::ALL.iter().map(|r| r.word()).collect();
        Description::new(
            "select.usable",
            Shape::Transform,
            "Rejects clouded, cut-off and broken frames, with the reason",
        )
        .help(
            "Looks at the measures of find.disc: black and repeated frames, frames without a target, cut off by \
                 the edge, overexposed, clouded or of odd size get weight 0 and their reason, the others weight 1. \
                 Thin cloud is kept, with its transparency in a column. Where nothing is usable the error says why. \
                 A cloud that covers a whole clip evenly cannot be told from a dim target. A target that is \
                 suddenly brighter or dimmer for good (another exposure or gain in mid-clip) is told with its frame.",
        )
        .source("common practice, no source; limits from own simulation")
        .contract("select")
        .input("table", PortType::Table, "measures of each frame's target")
        .output("table", PortType::Table, "the table with transparency, usable, reason and weight")
        .column(ColumnSpec::number(columns::TRANSPARENCY, "", "flux over its running 90th percentile"))
        .column(ColumnSpec::number(columns::USABLE, "", "1 where the frame may be used, else 0"))
        .column(ColumnSpec::category(columns::REASON, &words, "why the frame was rejected; empty = kept"))
        .column(weight_spec())
        .needs("table", columns::FLUX)
        .parameter(Parameter::number(
            "window_s",
            "s",
            1.0,
            86_400.0,
            120.0,
            "span of time whose clearest frames count as clear",
        ))
        .parameter(Parameter::number("transparency_min", "", 0.0, 1.0, 0.5, "dimmer frames are clouded"))
        .parameter(Parameter::number(
            "cut_max",
            "",
            0.0,
            1.0,
            0.02,
            "share of the outline that may lie on the frame's edge",
        ))
        .parameter(Parameter::number(
            "clipped_max",
            "",
            0.0,
            1.0,
            0.5,
            "share of the target's pixels that may be at the white level",
        ))
        .parameter(Parameter::number(
            "size_change",
            "",
            0.0,
            10.0,
            0.1,
            "relative change of the target's size that is always allowed",
        ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(UsableNode {
            window_s: parameters.number("window_s")?,
            transparency_min: parameters.number("transparency_min")?,
            cut_max: parameters.number("cut_max")?,
            clipped_max: parameters.number("clipped_max")?,
            size_change: parameters.number("size_change")?,
        })))
    }
}

/// The node: its parameters.
#[derive(Debug, Clone, Copy)]
struct UsableNode {
    window_s: f64,
    transparency_min: f64,
    cut_max: f64,
    clipped_max: f64,
    size_change: f64,
}

/// Frames that a span of time holds, by the median distance of frames; all of them where times are absent or stand.
fn frames_in(window_s: f64, time_s: Option<&[f64]>, n: usize) -> usize {
    let steps: Vec<f64> = time_s.unwrap_or_default().windows(2).map(|t| t[1] - t[0]).collect();
    let step = median(&steps);
    let frames = window_s / step;
    // Twice the clip reaches from any frame over all of it.
    if step > 0.0 && frames.is_finite() { (frames as usize).clamp(1, 2 * n) } else { 2 * n }
}

/// Marks frames whose measures all equal those of the frame before.
fn repeats(table: &Table) -> Vec<bool> {
    let measured = [columns::X_PX, columns::Y_PX, columns::FLUX, columns::BACKGROUND, columns::NOISE];
    let data: Vec<&[f64]> = measured.iter().filter_map(|name| table.values(name)).collect();
    let same = |i: usize| data.iter().all(|c| c[i] == c[i - 1]);
    (0..table.rows()).map(|i| i > 0 && data.len() == measured.len() && same(i)).collect()
}

/// Values of the frames marked `Kept` so far, NaN for the others.
fn of_kept(values: &[f64], reasons: &[Reason]) -> Vec<f64> {
    values.iter().zip(reasons).map(|(v, r)| if *r == Reason::Kept { *v } else { f64::NAN }).collect()
}

impl UsableNode {
    /// Rejections that one frame's row decides alone.
    fn alone(&self, table: &Table) -> Vec<Reason> {
        let column = |name: &str| table.values(name);
        let (found, noise, sky) = (column(columns::FOUND), column(columns::NOISE), column(columns::BACKGROUND));
        let (cut, clipped) = (column(columns::CUT), column(columns::CLIPPED));
        let typical_noise = noise.map_or(f64::NAN, median);
        let exceeds = |values: Option<&[f64]>, i: usize, limit: f64| values.is_some_and(|v| v[i] > limit);
        let repeated = repeats(table);
        let one = |i: usize| {
            let lost = found.is_some_and(|f| f[i] != 1.0);
            let silent = noise.is_some_and(|v| v[i] == 0.0 || v[i] < 0.3 * typical_noise);
            if lost && silent && sky.is_some_and(|s| s[i] < 1e-3) {
                Reason::Black
            } else if repeated[i] {
                Reason::Repeated
            } else if lost {
                Reason::NoTarget
            } else if exceeds(cut, i, self.cut_max) {
                Reason::CutOff
            } else if exceeds(clipped, i, self.clipped_max) {
                Reason::Overexposed
            } else {
                Reason::Kept
            }
        };
        (0..table.rows()).map(one).collect()
    }

    /// Transparency of every frame with a flux.
    fn transparency(&self, table: &Table, flux: &[f64], reasons: &[Reason]) -> Vec<f64> {
        let whole = of_kept(flux, reasons);
        let window = frames_in(self.window_s, table.values(columns::TIME_S), table.rows());
        let clear = running_percentile(&whole, window, CLEAR);
        flux.iter().zip(clear).map(|(f, c)| if c > 0.0 { f / c } else { f64::NAN }).collect()
    }

    /// Rejects dim frames, jumps of transparency, and targets lost in noise.
    fn reject_clouds(&self, table: &Table, transparency: &[f64], reasons: &mut [Reason]) {
        let of_kept = of_kept(transparency, reasons);
        let logarithm: Vec<f64> = of_kept.iter().map(|t| if *t > 0.0 { libm::log(*t) } else { f64::NAN }).collect();
        let steps: Vec<f64> = logarithm.windows(2).map(|l| l[1] - l[0]).collect();
        let limit = (JUMP_SIGMA * MAD_TO_SIGMA * mad(&steps)).max(JUMP);
        let (peak, noise) = (table.values(columns::PEAK), table.values(columns::NOISE));
        let jumps = |step: Option<&f64>| step.is_some_and(|s| s.abs() > limit);
        for (i, reason) in reasons.iter_mut().enumerate().filter(|(_, r)| **r == Reason::Kept) {
            let dim = transparency[i].is_nan() || transparency[i] < self.transparency_min;
            let jump = jumps(steps.get(i)) || (i > 0 && jumps(steps.get(i - 1)));
            let hidden = peak.zip(noise).is_some_and(|(p, n)| p[i] < FAINT * n[i]);
            if dim || jump || hidden {
                *reason = Reason::Clouded;
            }
        }
    }

    /// Rejects frames whose target has another size than in most.
    fn reject_sizes(&self, table: &Table, reasons: &mut [Reason]) {
        for name in [columns::RADIUS_PX, columns::WIDTH_PX, columns::HEIGHT_PX] {
            let Some(sizes) = table.values(name) else { continue };
            let kept = of_kept(sizes, reasons);
            let middle = median(&kept);
            let limit = (SIZE_SIGMA * MAD_TO_SIGMA * mad(&kept)).max(self.size_change * middle).max(SIZE_STEP_PX);
            for (reason, size) in reasons.iter_mut().zip(&kept) {
                if (size - middle).abs() > limit {
                    *reason = Reason::OddSize;
                }
            }
        }
    }
}

/// Tells the user what the numbers say about the capture as a whole.
fn warn(context: &dyn Context, table: &Table, reasons: &[Reason]) {
    let n = reasons.len();
    let rejected = reasons.iter().filter(|r| **r != Reason::Kept).count();
    if 2 * rejected > n {
        context.warn(&format!("{rejected} of {n} frames are not usable: {}", listed(reasons)));
    }
    let clipped = table.values(columns::CLIPPED).map_or(f64::NAN, |c| median(&of_kept(c, reasons)));
    if clipped > 0.01 {
        let share = 100.0 * clipped;
        context.warn(&format!("{share:.0} % of the disc is at the white level: what is there is lost; expose less"));
    }
}

impl Transform for UsableNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let flux = table.values(columns::FLUX).ok_or_else(|| {
            Fault::request("the table linked to `table` has no column flux").remedy("link find.disc to `table`")
        })?;
        let mut reasons = self.alone(table);
        if let Some(words) = step_warning(&of_kept(flux, &reasons)) {
            context.warn(&words);
        }
        let transparency = self.transparency(table, flux, &reasons);
        self.reject_clouds(table, &transparency, &mut reasons);
        self.reject_sizes(table, &mut reasons);
        record(context, &reasons);
        if !reasons.contains(&Reason::Kept) {
            return Err(nothing_usable(table, &reasons));
        }
        warn(context, table, &reasons);
        let kept: Vec<f64> = reasons.iter().map(|r| f64::from(*r == Reason::Kept)).collect();
        let words: Vec<&str> = Reason::ALL.iter().map(|r| r.word()).collect();
        let mut out = (**table).clone();
        out.push(ColumnSpec::number(columns::TRANSPARENCY, "", "flux over its running 90th percentile"), transparency);
        out.push(ColumnSpec::number(columns::USABLE, "", "1 where the frame may be used, else 0"), kept.clone());
        let numbers = reasons.iter().map(|r| r.number()).collect();
        out.push(ColumnSpec::category(columns::REASON, &words, "why the frame was rejected; empty = kept"), numbers);
        out.push(weight_spec(), kept);
        Ok(vec![Value::Table(Arc::new(out))])
    }
}

#[cfg(test)]
#[path = "usable_tests.rs"]
mod tests;
