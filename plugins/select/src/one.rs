//! Picks a single frame: the best, the median or the worst by grade.
//!
//! Weight 1 for the frame of the highest, the middle (of an even number the better of the two) or the lowest grade
//! among those usable; 0 for the rest. A definition, no source needed.

use stillair_api::{
    Bound, Context, Description, Entry, Facts, Method, Node, Outcome, Parameter, Parameters, Shape, Transform, Value,
};

use crate::choice::{Candidates, finish, with_ports};

/// `select.one`.
pub struct One;

impl Method for One {
    fn describe(&self) -> Description {
        with_ports(Description::new("select.one", Shape::Transform, "Picks the best, the median or the worst frame"))
            .help(
                "Gives weight 1 to one frame and 0 to all others. A stack of that table is the frame itself, placed \
                 and resampled like the stack: it shows beside it what stacking gained.",
            )
            .source("a definition, no source needed")
            .parameter(Parameter::choice("which", &["best", "median", "worst"], "best", "which frame to pick"))
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(OneNode {
            which: parameters.text("which")?.into(),
            by: parameters.text("by")?.into(),
        })))
    }
}

/// The node: its parameters.
struct OneNode {
    which: String,
    by: String,
}

impl Transform for OneNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let candidates = Candidates::of(table, &self.by)?;
        let ranked = candidates.best_first();
        let rank = match self.which.as_str() {
            "median" => (ranked.len() - 1) / 2,
            "worst" => ranked.len() - 1,
            _ => 0,
        };
        let (frame, grade) = ranked[rank];
        let mut weights = vec![0.0; table.rows()];
        weights[frame] = 1.0;
        context.record(Entry::number("frame", frame as f64, "", "number of the frame, from 0"));
        context.record(Entry::number("grade", grade, "", "its grade"));
        Ok(finish(context, table, &candidates, weights))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::tests::{graded, run, weights};
    use stillair_api::{ParameterValue::Text, contract};

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&One.describe()), Vec::<String>::new());
    }

    // By hand.
    #[test]
    fn one_frame_is_picked_among_the_usable() {
        let table = || graded(&[0.9, 0.1, 0.5, 0.3, 0.7], Some(&[0.0, 1.0, 1.0, 1.0, 1.0]));
        let which = |word: &str| [("which", Text(word.into()))];
        assert_eq!(weights(&One, table(), &which("best")), [0.0, 0.0, 0.0, 0.0, 1.0]);
        assert_eq!(weights(&One, table(), &which("median")), [0.0, 0.0, 1.0, 0.0, 0.0]);
        assert_eq!(weights(&One, table(), &which("worst")), [0.0, 1.0, 0.0, 0.0, 0.0]);
        assert_eq!(run(&One, table(), &which("best")).1.number("frame"), Some(4.0));
    }
}
