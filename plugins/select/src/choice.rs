//! What every choice by grade shares: which frames may be chosen, by which column, and the column `weight` that says so.

use std::sync::Arc;

use stillair_api::{
    ColumnSpec, Context, Description, Entry, Fault, Outcome, Parameter, PortType, Table, Value, columns,
};

/// The ports and the parameter `by` that every choice by grade has.
pub(crate) fn with_ports(description: Description) -> Description {
    description
        .contract("select")
        .input("table", PortType::Table, "frames with a grade, and weights where some were rejected before")
        .output("table", PortType::Table, "the table with a new column weight")
        .column(weight_spec())
        .needs_named("table", columns::GRADE, "by")
        .parameter(Parameter::text("by", "auto", "column to choose by; auto = the latest column of grades"))
}

/// The column that a choice adds.
pub(crate) fn weight_spec() -> ColumnSpec {
    ColumnSpec::number(columns::WEIGHT, "", "weight in the stack; 0 = not read")
}

/// The frames that may be chosen, with their grades.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Candidates {
    /// Name of the column of grades.
    pub by: String,
    /// Number of each frame and its grade, in the order of frames.
    pub frames: Vec<(usize, f64)>,
}

impl Candidates {
    /// Frames whose weight is not 0 and whose grade is a number.
    ///
    /// # Errors
    /// If there is no such column, or no such frame.
    pub fn of(table: &Table, by: &str) -> Outcome<Self> {
        let column = if by == "auto" { table.latest_grade() } else { table.column(by) };
        let column = column.ok_or_else(|| {
            let names: Vec<&str> = table.columns().iter().map(|c| c.spec.name.as_str()).collect();
            let asked = if by == "auto" { "column of grades".to_string() } else { format!("column {by}") };
            Fault::request(format!("the table has no {asked}; it has {}", names.join(", ")))
                .remedy("link the table of a grade method, or name a column in `by`")
        })?;
        let grade = |i: usize| column.data[i];
        let frames: Vec<(usize, f64)> = (0..table.rows())
            .filter(|&i| table.weight(i) > 0.0 && grade(i).is_finite())
            .map(|i| (i, grade(i)))
            .collect();
        if frames.is_empty() {
            return Err(Fault::data(format!("no frame has both a weight and a value in {}", column.spec.name))
                .remedy("see the frames' reasons of rejection in the table"));
        }
        Ok(Self { by: column.spec.name.clone(), frames })
    }

    /// The frames from the highest grade down; equal grades in the order of frames.
    pub fn best_first(&self) -> Vec<(usize, f64)> {
        let mut ranked = self.frames.clone();
        ranked.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        ranked
    }

    /// The grades alone.
    pub fn grades(&self) -> Vec<f64> {
        self.frames.iter().map(|f| f.1).collect()
    }
}

/// The table with the weights added, and the facts of the choice recorded.
pub(crate) fn finish(context: &dyn Context, table: &Table, candidates: &Candidates, weights: Vec<f64>) -> Vec<Value> {
    let kept = weights.iter().filter(|w| **w > 0.0).count();
    let (sum, squares) = weights.iter().fold((0.0, 0.0), |(s, q), w| (s + w, q + w * w));
    let effective = if squares > 0.0 { sum * sum / squares } else { 0.0 };
    context.record(Entry::text("by", candidates.by.as_str()));
    context.record(Entry::number("frames-usable", candidates.frames.len() as f64, "", "frames to choose from"));
    context.record(Entry::number("frames-kept", kept as f64, "", "frames of weight above 0"));
    context.record(Entry::number("frames-effective", effective, "", "(sum of weights)^2 / sum of their squares"));
    let lowest = candidates.frames.iter().filter(|f| weights[f.0] > 0.0).map(|f| f.1).fold(f64::INFINITY, f64::min);
    context.record(Entry::number("lowest-grade-kept", lowest, "", "lowest grade of a frame that is kept"));
    let mut out = table.clone();
    out.push(weight_spec(), weights);
    vec![Value::Table(Arc::new(out))]
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use stillair_api::testing::TestContext;
    use stillair_api::{Bound, Facts, Method, Node, ParameterValue};

    /// A table with grades, and weights where given.
    pub(crate) fn graded(grades: &[f64], weights: Option<&[f64]>) -> Table {
        let times: Vec<f64> = (0..grades.len()).map(|i| 0.01 * i as f64).collect();
        let mut table = Table::for_frames(&times, None);
        if let Some(weights) = weights {
            table.push(weight_spec(), weights.to_vec());
        }
        table.push(ColumnSpec::number("grade_gradient", "", ""), grades.to_vec());
        table
    }

    /// Runs a method over a table.
    pub(crate) fn run(
        method: &dyn Method,
        table: Table,
        parameters: &[(&str, ParameterValue)],
    ) -> (Outcome<Table>, TestContext) {
        let mut all = method.describe().defaults();
        for (name, value) in parameters {
            all.0.insert((*name).into(), value.clone());
        }
        let context = TestContext::default();
        let bound = Bound::default().with("table", Value::Table(Arc::new(table)));
        let node = match method.create(&all, &Facts::default()) {
            Ok(Node::Transform(node)) => node,
            Ok(_) => panic!("a choice is a transform"),
            Err(fault) => return (Err(fault), context),
        };
        let out = node.run(&context, &bound).map(|values| match &values[0] {
            Value::Table(table) => (**table).clone(),
            _ => panic!("a choice gives a table"),
        });
        (out, context)
    }

    /// The weights that a method gives.
    pub(crate) fn weights(method: &dyn Method, table: Table, parameters: &[(&str, ParameterValue)]) -> Vec<f64> {
        run(method, table, parameters).0.unwrap().values(columns::WEIGHT).unwrap().to_vec()
    }

    #[test]
    fn candidates_have_a_weight_and_a_grade() {
        let table = graded(&[3.0, f64::NAN, 5.0, 4.0], Some(&[1.0, 1.0, 0.0, 0.5]));
        let candidates = Candidates::of(&table, "auto").unwrap();
        assert_eq!(candidates.frames, [(0, 3.0), (3, 4.0)]);
        assert_eq!(candidates.best_first()[0], (3, 4.0));
        assert_eq!(Candidates::of(&table, "time_s").unwrap().by, "time_s");
    }

    #[test]
    fn a_missing_column_and_an_empty_choice_are_said_in_words() {
        let table = graded(&[f64::NAN], None);
        let words = Candidates::of(&table, "auto").unwrap_err().to_string();
        assert!(words.contains("grade_gradient"), "{words}");
        let words = Candidates::of(&table, "sharpness").unwrap_err().to_string();
        assert!(words.contains("sharpness") && words.contains("exposure_s"), "{words}");
        let words = Candidates::of(&Table::for_frames(&[0.0], None), "auto").unwrap_err().to_string();
        assert!(words.contains("column of grades") && words.contains("grade method"), "{words}");
    }
}
