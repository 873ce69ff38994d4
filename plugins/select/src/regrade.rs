//! Frees the grades of what they owe to the target's size.
//!
//! The air between makes a small target now larger, now smaller, and a smaller one of the same light has the steeper edges: its
//! frames are graded too high, and a stack that prefers them shows the target too small, alike in both half-stacks. Larger and
//! smaller being equally likely whatever the blur, nothing is lost by a grade that does not go with the size: `g' = g - b (s -
//! mean s)`, `b` the slope of the grade over the size `s` (ordinary least squares over the usable frames). Source: regression:
//! textbook; its use here: own derivation and simulation.

use std::sync::Arc;

use stillair_api::{
    Bound, ColumnSpec, Context, Description, Entry, Facts, Method, Node, Outcome, Parameters, Shape, Table, Transform,
    Value,
};

use crate::choice::Candidates;

/// Column of the target's change of size.
const SIZE: &str = "size_change";
/// Fewest frames that a slope is taken from.
const FEWEST: usize = 20;
/// A change of size above this is none of the air's.
const LARGEST: f64 = 0.5;

/// `select.regrade`.
pub struct Regrade;

impl Method for Regrade {
    fn describe(&self) -> Description {
        let mut description = crate::choice::with_ports(Description::new(
            "select.regrade",
            Shape::Transform,
            "Frees the grades of what they owe to the target's size",
        ))
        .help(HELP)
        .source("least squares: textbook; the rest: own derivation and simulation");
        description.columns = vec![column()];
        if let Some(port) = description.inputs.first_mut() {
            port.help = "frames with a grade and, beside it, the target's change of size (grade.projection)".into();
        }
        if let Some(port) = description.outputs.first_mut() {
            port.help = "the table with a new column of grades".into();
        }
        description
    }

    fn create(&self, parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Ok(Node::Transform(Box::new(RegradeNode { by: parameters.text("by")?.into() })))
    }
}

/// What `explain` says.
const HELP: &str = "\
Uneven air shows a disc now larger, now smaller. A frame in which it is smaller has steeper edges for the same light and is \
graded too high, so that a stack of the best frames shows the target too small; half-stacks do not tell, as both do. This \
takes from each grade what goes with the change of size that grade.projection measured; the mean stays. Where no size is told \
(a surface that fills the window, a target that is nearly a point, fewer than 20 frames) the grades stay as they are. On 15 \
simulated discs of 10 to 21 px in radius the grade fell by 0.6 to 2.9 times the true change of size, and by 0.05 to 0.6 times \
after this. Sharpened stacks of the better half of the frames gained 1.5 dB in the mean (0.1 to 2.8), those of all frames \
weighted by grade^2 0.2 dB (from 0.7 less to 1.5 more: the mean size of some hundred frames is off by chance as well); of \
discs of 35 px and more these changed by less than 0.3 dB.";

/// The column that is added.
fn column() -> ColumnSpec {
    ColumnSpec::number("grade_regraded", "", "the grade without what it owes to the target's size; higher is sharper")
}

/// The node: its parameter.
struct RegradeNode {
    by: String,
}

/// Slope of grade over size and the mean size, of pairs (size, grade); `None` where they are too few or of one size.
fn slope(pairs: &[(f64, f64)]) -> Option<(f64, f64)> {
    let n = pairs.len() as f64;
    let (size, grade) = pairs.iter().fold((0.0, 0.0), |(s, g), p| (s + p.0 / n, g + p.1 / n));
    let (square, product) = pairs.iter().fold((0.0, 0.0), |(square, product), p| {
        (square + (p.0 - size) * (p.0 - size), product + (p.0 - size) * (p.1 - grade))
    });
    (pairs.len() >= FEWEST && square > 0.0).then(|| (product / square, size))
}

impl Transform for RegradeNode {
    fn run(&self, context: &dyn Context, bound: &Bound) -> Outcome<Vec<Value>> {
        let table = bound.table("table")?;
        let candidates = Candidates::of(table, &self.by)?;
        let mut grades = table.values(&candidates.by).map_or_else(Vec::new, <[f64]>::to_vec);
        let sizes = table.values(SIZE).unwrap_or(&[]);
        let told = |i: usize| sizes.get(i).copied().filter(|s| s.abs() <= LARGEST);
        let pairs: Vec<(f64, f64)> = candidates.frames.iter().filter_map(|(i, g)| Some((told(*i)?, *g))).collect();
        context.record(Entry::text("by", candidates.by.as_str()));
        match slope(&pairs) {
            Some((slope, mean)) => {
                for (i, grade) in grades.iter_mut().enumerate() {
                    *grade -= told(i).map_or(0.0, |size| slope * (size - mean));
                }
                let scatter = pairs.iter().map(|p| (p.0 - mean) * (p.0 - mean)).sum::<f64>() / pairs.len() as f64;
                context.record(Entry::number("slope", slope, "", "grade over the target's change of size"));
                context.record(Entry::number("size-scatter", 100.0 * scatter.sqrt(), "%", "of the target's size"));
            }
            None => context.record(Entry::text("slope", "no size is told: the grades stay as they are")),
        }
        let mut out: Table = Table::clone(table);
        out.push(column(), grades);
        Ok(vec![Value::Table(Arc::new(out))])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::choice::tests::graded;
    use stillair_api::contract;
    use stillair_api::testing::TestContext;

    fn regraded(table: Table) -> (Vec<f64>, TestContext) {
        let Ok(Node::Transform(node)) = Regrade.create(&Regrade.describe().defaults(), &Facts::default()) else {
            panic!("no node")
        };
        let context = TestContext::default();
        let out = node.run(&context, &Bound::default().with("table", Value::Table(Arc::new(table)))).unwrap();
        let Value::Table(table) = &out[0] else { panic!("a table") };
        (table.latest_grade().unwrap().data.to_vec(), context)
    }

    #[test]
    fn the_description_keeps_its_contract() {
        assert_eq!(contract::breaches(&Regrade.describe()), Vec::<String>::new());
    }

    // By hand: grades of 1 or 2 in turn, three less per unit of size, sizes the same for both kinds. What stays are the 1 and
    // the 2, and the mean of all.
    #[test]
    fn a_grade_that_goes_with_the_size_is_freed_of_it() {
        let size = |i: usize| 0.01 * (i / 2) as f64 - 0.05;
        let clear = |i: usize| 1.0 + (i % 2) as f64;
        let grades: Vec<f64> = (0..40).map(|i| clear(i) - 3.0 * size(i)).collect();
        let mut table = graded(&grades, None);
        table.push(ColumnSpec::number(SIZE, "", ""), (0..40).map(size).collect());
        let (out, context) = regraded(table);
        let moved = out[0] - clear(0);
        assert!(out.iter().enumerate().all(|(i, g)| (g - clear(i) - moved).abs() < 1e-12), "{out:?}");
        assert!((out.iter().sum::<f64>() - grades.iter().sum::<f64>()).abs() < 1e-9);
        assert!((context.number("slope").unwrap() + 3.0).abs() < 1e-12);
    }

    #[test]
    fn grades_without_a_size_stay() {
        let grades: Vec<f64> = (0..40).map(|i| (i * 7 % 40) as f64).collect();
        assert_eq!(regraded(graded(&grades, None)).0, grades);
        let mut table = graded(&grades, None);
        table.push(ColumnSpec::number(SIZE, "", ""), vec![f64::NAN; 40]);
        assert_eq!(regraded(table).0, grades);
    }
}
