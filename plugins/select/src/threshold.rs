//! Keeps the frames whose grade reaches a threshold.
//!
//! A frame gets weight 1 where `grade >= least * scale`, else 0; `scale` is the 98th percentile of the usable frames'
//! grades ("best", which one glitch cannot move), their median, or 1 ("value"). Common practice, no source.

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Fault, Method, Node, Outcome, Parameter, Parameters, Shape, Transform,
    Value,
};
use stillair_maths::robust::percentile;

use crate::choice::{Candidates, finish, with_ports};

/// `select.threshold`.
pub struct Threshold;

impl Method for Threshold {
    fn describe(&self) -> Description {
        with_ports(Description::new(
            "select.threshold",
            Shape::Transform,
            "Keeps frames whose grade reaches a threshold",
        ))
        .help(
            "Gives weight 1 to the frames whose grade reaches a share of the best (or of the median, or a given \
                 value), 0 to the rest. In steady air it keeps many frames, in bad air few. Where no frame reaches a \
                 given value it says how high the grades go.",
        )
        .source("common practice, no source")
        .parameter(Parameter::number("least", "", 0.0, 1e9, 0.7, "lowest grade to keep, in units of `of`"))
        .parameter(Parameter::choice(
            "of",
            &["best", "median", "value"],
            "best",
            "what `least` is a share of: the best grade (98th percentile), the median grade, or nothing",
        ))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(ThresholdNode {
            least: parameters.number("least")?,
            of: parameters.text("of")?.into(),
            by: parameters.text("by")?.into(),
        })))
    }
}

/// The node: its parameters.
struct ThresholdNode {
    least: f64,
    of: String,
    by: String,
}

impl Transform for ThresholdNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let candidates = Candidates::of(table, &self.by)?;
        let grades = candidates.grades();
        let scale = match self.of.as_str() {
            "value" => 1.0,
            "median" => percentile(&grades, 50.0),
            _ => percentile(&grades, 98.0),
        };
        let limit = self.least * scale;
        let mut weights = vec![0.0; table.rows()];
        for &(frame, grade) in &candidates.frames {
            weights[frame] = f64::from(grade >= limit);
        }
        if weights.iter().all(|w| *w == 0.0) {
            let highest = grades.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            return Err(Fault::data(format!(
                "no frame reaches {limit:.4} in {}: the highest is {highest:.4}",
                candidates.by
            ))
            .remedy("lower `least`"));
        }
        context.record(Entry::number("threshold", limit, "", "lowest grade that is kept"));
        Ok(finish(context, table, &candidates, weights))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::tests::{graded, run, weights};
    use stillair_api::{ParameterValue::Number, ParameterValue::Text, contract};

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Threshold.describe()), Vec::<String>::new());
    }

    // By hand: the 98th percentile of 1, 2, 3, 4, 5 is 4.92 by the linear rule.
    #[test]
    fn frames_at_or_above_the_threshold_are_kept() {
        let table = || graded(&[1.0, 2.0, 3.0, 4.0, 5.0], None);
        assert_eq!(weights(&Threshold, table(), &[("least", Number(0.7))]), [0.0, 0.0, 0.0, 1.0, 1.0]);
        let of = |word: &str| ("of", Text(word.into()));
        assert_eq!(weights(&Threshold, table(), &[("least", Number(1.0)), of("median")]), [0.0, 0.0, 1.0, 1.0, 1.0]);
        assert_eq!(weights(&Threshold, table(), &[("least", Number(2.0)), of("value")]), [0.0, 1.0, 1.0, 1.0, 1.0]);
    }

    #[test]
    fn a_threshold_that_none_reaches_names_the_highest_grade() {
        let parameters = [("least", Number(9.0)), ("of", Text("value".into()))];
        let words = run(&Threshold, graded(&[1.0, 5.0], None), &parameters).0.unwrap_err().to_string();
        assert!(words.contains("5.0000") && words.contains("least"), "{words}");
    }
}
