//! Keeps a fraction of the frames, the best by grade.
//!
//! Of the `n` usable frames the `max(1, round(keep * n))` of the highest grades get weight 1, the others 0; equal
//! grades are kept in the order of frames. Selection of short exposures: Fried 1978, J. Opt. Soc. Am. 68, 1651.

use stillair_api::{
    Bound, Context, Description, Facts, Method, Node, Outcome, Parameter, Parameters, Shape, Transform, Value,
};

use crate::choice::{Candidates, finish, with_ports};

/// `select.fraction`.
pub struct Fraction;

impl Method for Fraction {
    fn describe(&self) -> Description {
        with_ports(Description::new("select.fraction", Shape::Transform, "Keeps the best fraction of the frames"))
            .help(
                "Gives weight 1 to the best fraction of the frames that are not rejected already, 0 to the rest. \
                 Simple and quick, as frames of weight 0 are never read again. select.weighted on all frames gives a \
                 better trade of noise against blur: 1 to 4 dB over the best fifth on simulated clips.",
            )
            .source("Fried 1978, J. Opt. Soc. Am. 68, 1651")
            .parameter(Parameter::number("keep", "", 0.0, 1.0, 0.25, "fraction of the usable frames to keep"))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        let keep = parameters.number("keep")?;
        Ok(Node::Transform(Box::new(FractionNode { keep, by: parameters.text("by")?.into() })))
    }
}

/// How many of `n` frames are kept.
pub(crate) fn kept(keep: f64, n: usize) -> usize {
    ((keep * n as f64).round() as usize).clamp(1, n.max(1))
}

/// The node: its parameters.
struct FractionNode {
    keep: f64,
    by: String,
}

impl Transform for FractionNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let candidates = Candidates::of(table, &self.by)?;
        let mut weights = vec![0.0; table.rows()];
        for (frame, _) in candidates.best_first().into_iter().take(kept(self.keep, candidates.frames.len())) {
            weights[frame] = 1.0;
        }
        Ok(finish(context, table, &candidates, weights))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::tests::{graded, run, weights};
    use stillair_api::{ParameterValue::Number, contract};

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Fraction.describe()), Vec::<String>::new());
    }

    // By hand.
    #[test]
    fn the_best_of_the_usable_are_kept() {
        let table = || graded(&[0.2, 0.9, 0.5, f64::NAN, 0.9, 0.7], Some(&[1.0, 0.0, 1.0, 1.0, 1.0, 1.0]));
        assert_eq!(weights(&Fraction, table(), &[("keep", Number(0.5))]), [0.0, 0.0, 0.0, 0.0, 1.0, 1.0]);
        assert_eq!(weights(&Fraction, table(), &[("keep", Number(0.0))]), [0.0, 0.0, 0.0, 0.0, 1.0, 0.0]);
        assert_eq!(weights(&Fraction, table(), &[("keep", Number(1.0))]), [1.0, 0.0, 1.0, 0.0, 1.0, 1.0]);
    }

    #[test]
    fn the_choice_is_recorded() {
        let (_, context) = run(&Fraction, graded(&[1.0, 2.0, 3.0, 4.0], None), &[("keep", Number(0.5))]);
        assert_eq!(context.number("frames-usable"), Some(4.0));
        assert_eq!(context.number("frames-kept"), Some(2.0));
        assert_eq!(context.number("lowest-grade-kept"), Some(3.0));
    }
}
