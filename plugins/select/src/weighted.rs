//! Weights all usable frames by a power of their grade.
//!
//! `w = max(grade - floor, 0)^power * t`, with the transparency `t` for the inverse variance of a frame whose light is
//! brought to a common level (shot noise: variance `1 / t`), scaled so that the highest weight is 1. For frames that
//! are summed and then sharpened linearly, the signal-to-noise ratio at a frequency is highest for weights in
//! proportion to transfer over noise: rejecting frames outright is never best. Over simulated clips the square of the
//! grade gains 1 to 4 dB over the best fifth. A grade that stands more than 6 sigma (by the median absolute deviation)
//! above the median counts as standing there, so that a glitch cannot outweigh the clip. Weights of optimal averages:
//! the matched filter; the power is from own simulation.

use stillair_api::{
    Bound, Context, Description, Facts, Fault, Method, Node, Outcome, Parameter, Parameters, Shape, Table, Transform,
    Value, columns,
};
use stillair_maths::robust::{MAD_TO_SIGMA, mad, median, percentile};

use crate::choice::{Candidates, finish, with_ports};
use crate::fraction::kept;

/// How far above the median a grade may count, in sigma.
const GLITCH: f64 = 6.0;

/// `select.weighted`.
pub struct Weighted;

impl Method for Weighted {
    fn describe(&self) -> Description {
        with_ports(Description::new("select.weighted", Shape::Transform, "Weights frames by a power of their grade"))
            .help(
                "Every usable frame counts, the sharper the more: weight = (grade - floor)^power times the \
                 transparency, highest = 1. The best simple rule before linear sharpening. Frames whose grade is not \
                 above the floor get 0 and are not read again. `keep` below 1 drops the worst outright for a crisper \
                 and noisier stack; a higher power does the same more gently.",
            )
            .source("optimal linear combination of frames; power by own simulation")
            .parameter(Parameter::number("power", "", 0.0, 20.0, 2.0, "power of the grade; 0 = equal weights"))
            .parameter(Parameter::number("keep", "", 0.0, 1.0, 1.0, "fraction of the usable frames to keep"))
            .parameter(Parameter::number(
                "floor",
                "of the best",
                0.0,
                0.99,
                0.0,
                "grade that counts as nothing, as a share of the best (98th percentile)",
            ))
            .parameter(Parameter::flag(
                "transparency",
                true,
                "whether a dimmer frame weighs less, as its noise is higher",
            ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(WeightedNode {
            power: parameters.number("power")?,
            keep: parameters.number("keep")?,
            floor: parameters.number("floor")?,
            by_transparency: parameters.flag("transparency")?,
            by: parameters.text("by")?.into(),
        })))
    }
}

/// The node: its parameters.
struct WeightedNode {
    power: f64,
    keep: f64,
    floor: f64,
    by_transparency: bool,
    by: String,
}

/// `max(grade - floor, 0)^power`; the zeroth power is 1 for every frame above the floor.
pub(crate) fn weight_of(grade: f64, floor: f64, power: f64) -> f64 {
    let above = grade - floor;
    match () {
        _ if above <= 0.0 => 0.0,
        _ if power == 1.0 => above,
        _ if power == 2.0 => above * above,
        _ => libm::pow(above, power),
    }
}

impl WeightedNode {
    fn weights(&self, table: &Table, candidates: &Candidates) -> Vec<f64> {
        let grades = candidates.grades();
        let middle = median(&grades);
        // A spread of nothing (equal grades) bounds nothing.
        let spread = GLITCH * MAD_TO_SIGMA * mad(&grades);
        let most = if spread > 0.0 { middle + spread } else { f64::INFINITY };
        let floor = self.floor * percentile(&grades, 98.0).max(0.0);
        let transparency = table.values(columns::TRANSPARENCY).filter(|_| self.by_transparency);
        let light = |i: usize| transparency.map(|t| t[i]).filter(|t| t.is_finite()).map_or(1.0, |t| t.clamp(0.0, 1.0));
        let mut weights = vec![0.0; table.rows()];
        for (frame, grade) in candidates.best_first().into_iter().take(kept(self.keep, candidates.frames.len())) {
            weights[frame] = weight_of(grade.min(most), floor, self.power) * light(frame);
        }
        let highest = weights.iter().copied().fold(0.0, f64::max);
        if highest > 0.0 {
            weights.iter_mut().for_each(|w| *w /= highest);
        }
        weights
    }
}

impl Transform for WeightedNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let candidates = Candidates::of(table, &self.by)?;
        let weights = self.weights(table, &candidates);
        if weights.iter().all(|w| *w == 0.0) {
            let highest = candidates.grades().iter().copied().fold(f64::NEG_INFINITY, f64::max);
            return Err(Fault::data(format!(
                "every frame's {} lies at or below the floor: the highest is {highest:.4}",
                candidates.by
            ))
            .remedy("lower `floor`, or choose by another grade with `by`"));
        }
        Ok(finish(context, table, &candidates, weights))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::tests::{graded, run, weights};
    use stillair_api::{ColumnSpec, ParameterValue::Flag, ParameterValue::Number, contract};

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Weighted.describe()), Vec::<String>::new());
    }

    // By hand.
    #[test]
    fn weights_are_the_power_of_the_grade_and_negative_grades_weigh_nothing() {
        let table = || graded(&[0.5, 1.0, -0.3, 0.25], None);
        assert_eq!(weights(&Weighted, table(), &[]), [0.25, 1.0, 0.0, 0.0625]);
        assert_eq!(weights(&Weighted, table(), &[("power", Number(1.0))]), [0.5, 1.0, 0.0, 0.25]);
        assert_eq!(weights(&Weighted, table(), &[("power", Number(0.0))]), [1.0, 1.0, 0.0, 1.0]);
        assert_eq!(weights(&Weighted, table(), &[("power", Number(3.0))]), [0.125, 1.0, 0.0, 0.015625]);
        assert_eq!(weights(&Weighted, table(), &[("keep", Number(0.5))]), [0.25, 1.0, 0.0, 0.0]);
    }

    #[test]
    fn dimmer_frames_weigh_less_unless_told_not_to() {
        let table = || {
            let mut table = graded(&[1.0, 1.0, 1.0], None);
            table.push(ColumnSpec::number(columns::TRANSPARENCY, "", ""), vec![1.03, 0.6, f64::NAN]);
            table
        };
        assert_eq!(weights(&Weighted, table(), &[]), [1.0, 0.6, 1.0]);
        assert_eq!(weights(&Weighted, table(), &[("transparency", Flag(false))]), [1.0, 1.0, 1.0]);
    }

    #[test]
    fn a_glitch_does_not_outweigh_the_clip() {
        let mut grades: Vec<f64> = (0..99).map(|i| 1.0 + 0.002 * f64::from(i)).collect();
        grades.push(500.0);
        let w = weights(&Weighted, graded(&grades, None), &[]);
        // Median 1.099, MAD 0.05: the glitch counts as 1.54.
        assert!(w[50] > 0.4 && w[99] == 1.0, "{}", w[50]);
    }

    #[test]
    fn grades_that_are_all_nothing_are_refused_in_words() {
        let words = run(&Weighted, graded(&[-0.1, 0.0], None), &[]).0.unwrap_err().to_string();
        assert!(words.contains("grade_gradient") && words.contains("floor"), "{words}");
    }
}
