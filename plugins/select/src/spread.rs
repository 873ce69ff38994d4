//! Picks a number of usable frames spread evenly over the clip, whatever their grades.
//!
//! Of `n` usable frames in order the chosen `k` are those at `floor((i + 1/2) n / k)`, `i = 0..k-1`: each stands for an
//! equal part of the clip (systematic sampling; Cochran 1977, Sampling Techniques, ch. 8).

use stillair_api::{
    Bound, Context, Description, Facts, Method, Node, Outcome, Parameter, Parameters, Shape, Transform, Value,
};

use crate::choice::{Candidates, finish, with_ports};

/// `select.spread`.
pub struct Spread;

impl Method for Spread {
    fn describe(&self) -> Description {
        with_ports(Description::new("select.spread", Shape::Transform, "Picks frames spread evenly over the clip"))
            .help(
                "Gives weight 1 to at most `frames` usable frames, spread evenly over the clip, and 0 to the rest. A \
                 stack of that table shows what the usual frame was worth, at the cost of those frames only; its noise \
                 is that of as many frames.",
            )
            .source("Cochran 1977, Sampling Techniques, 3rd ed., ch. 8 (systematic sampling)")
            .parameter(Parameter::integer("frames", "", 1, 1_000_000, 100, "most frames to pick"))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        let frames = parameters.integer("frames")?.max(1) as usize;
        Ok(Node::Transform(Box::new(SpreadNode { frames, by: parameters.text("by")?.into() })))
    }
}

/// The node: its parameters.
struct SpreadNode {
    frames: usize,
    by: String,
}

impl Transform for SpreadNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let candidates = Candidates::of(table, &self.by)?;
        let n = candidates.frames.len();
        let k = self.frames.min(n);
        let mut weights = vec![0.0; table.rows()];
        for i in 0..k {
            weights[candidates.frames[(2 * i + 1) * n / (2 * k)].0] = 1.0;
        }
        Ok(finish(context, table, &candidates, weights))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::tests::{graded, weights};
    use stillair_api::{ParameterValue::Integer, contract};

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Spread.describe()), Vec::<String>::new());
    }

    // By hand: of the seven usable frames 1..7 the middles of three parts, of two, and all where more are asked for.
    #[test]
    fn the_middle_of_each_part_is_picked() {
        let usable = [0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0];
        let table = || graded(&[0.9, 0.1, 0.5, 0.3, 0.7, 0.2, 0.4, 0.6], Some(&usable));
        let of = |frames: i64| weights(&Spread, table(), &[("frames", Integer(frames))]);
        assert_eq!(of(3), [0.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0]);
        assert_eq!(of(2), [0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0]);
        assert_eq!(of(20), usable);
    }
}
