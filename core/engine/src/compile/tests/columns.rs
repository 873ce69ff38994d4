//! Columns that a table must have, followed through the steps.

use super::*;

fn with_columns() -> Catalogue {
    let table = |name: &str, shape: Shape| Description::new(name, shape, "").output("table", Table, "");
    let column = |name: &str| ColumnSpec::number(name, "", "");
    let descriptions = vec![
        source("decode.auto"),
        table("find.disc", Shape::Measure).input("frames", Frames, "").column(column("flux")).column(column("peak")),
        table("find.empty", Shape::Measure).input("frames", Frames, ""),
        table("grade.gradient", Shape::Measure)
            .input("frames", Frames, "")
            .input("table", Table, "")
            .needs("table", "flux")
            .needs("table", "peak")
            .column(column("grade_gradient")),
        table("grade.laplacian", Shape::Measure)
            .input("frames", Frames, "")
            .input("table", Table, "")
            .column(column("grade_laplacian")),
        table("other.untold", Shape::Transform).input("table", Table, ""),
        table("select.usable", Shape::Transform).input("table", Table, "").column(column("weight")),
        table("select.weighted", Shape::Transform)
            .input("table", Table, "")
            .needs_named("table", "grade", "by")
            .column(column("weight"))
            .parameter(Parameter::text("by", "auto", "")),
        Description::new("write.csv", Shape::Sink, "")
            .input("table", Table, "")
            .extension("csv")
            .parameter(Parameter::text("name", "table", "")),
    ];
    let methods = descriptions.into_iter().map(|d| Box::new(Fake(d)) as Box<dyn Method>).collect();
    Catalogue::new(vec![Plugin { id: "fake", version: "1", methods }]).unwrap()
}

const GRADED: &str = r#"schema = 1
[inputs]
clip = { type = "frames" }
[step.found]
use = "find.disc"
frames = "@clip"
[step.grades]
use = "grade.gradient"
frames = "@clip"
table = "@found"
[step.usable]
use = "select.usable"
table = "@grades"
[step.weights]
use = "select.weighted"
table = "@usable"
[results]
frames = "@weights"
"#;

fn compiled(text: &str, set: &[&str]) -> Result<Plan, Vec<String>> {
    let given = Given { inputs: BTreeMap::from([("clip".to_string(), 1)]) };
    let overrides: Vec<_> = set.iter().map(|t| Override::set(t)).collect();
    let found = compile(&recipe_text("test", text), &with_columns(), &given, &overrides, &Shelf(vec![]));
    found.map_err(|found| found.errors().map(ToString::to_string).collect())
}

#[test]
fn a_method_that_leaves_out_what_a_later_step_needs_is_refused_where_it_was_set() {
    assert!(compiled(GRADED, &[]).is_ok());
    assert!(compiled(GRADED, &["grades.use=grade.laplacian"]).is_ok());
    assert_eq!(
        compiled(GRADED, &["grades.use=find.disc"]).unwrap_err(),
        [
            "--set:1:12: with find.disc as `grades`, the table of `weights` lacks a column of grades: select.weighted needs \
          it, and none of `grades` (find.disc), `usable` (select.usable) gives it; leave grade.gradient there, or link \
          `weights` to a step that gives it: grade.gradient or grade.laplacian"
        ]
    );
    // A step put in the place of the one that gave it may be the one that lacks it.
    let found = compiled(GRADED, &["grades.use=select.weighted"]).unwrap_err();
    assert!(
        found[0].starts_with("--set:1:12: with select.weighted as `grades`, the table of `grades` lacks"),
        "{found:?}"
    );
}

#[test]
fn a_recipe_that_never_gives_a_column_is_refused_at_the_link() {
    let text = GRADED.replace("table = \"@grades\"", "table = \"@found\"");
    let found = compiled(&text, &[]).unwrap_err();
    assert!(found[0].starts_with("test.toml:16:9: the table linked to the step `weights` lacks a column"), "{found:?}");
    assert!(
        found[0].ends_with("link the table of a step that gives it: grade.gradient or grade.laplacian"),
        "{found:?}"
    );
    // A column named by a parameter.
    let by = |name: &str| compiled(&text, &[&format!("weights.by={name}")]);
    assert!(by("flux").is_ok() && by("time_s").is_ok() && by("weight_2").is_ok());
    let found = by("sharpness").unwrap_err();
    assert!(found[0].contains("lacks the column `sharpness`"), "{found:?}");
    assert!(found[0].contains("no method at hand gives it, or name another column in `by`"), "{found:?}");
}

#[test]
fn a_broken_link_is_complained_of_once_and_lacking_columns_together() {
    let broken = GRADED.replace("find.disc", "find.disk").replace("table = \"@grades\"", "table = \"@gardes\"");
    let found = compiled(&broken, &[]).unwrap_err();
    assert!(found.len() == 2 && found.iter().all(|line| !line.contains("lacks")), "{found:?}");
    let found = compiled(GRADED, &["found.use=find.empty"]).unwrap_err();
    let wanted = "with find.empty as `found`, the table of `grades` lacks the column `flux` and the column `peak`";
    assert!(found.len() == 1 && found[0].contains(wanted), "{found:?}");
}

#[test]
fn a_method_whose_columns_nobody_can_tell_is_believed() {
    assert!(compiled(GRADED, &["grades.use=other.untold"]).is_ok());
}

#[test]
fn a_failing_step_is_told_which_methods_before_it_were_replaced() {
    let plan = compiled(GRADED, &["grades.use=grade.laplacian"]).unwrap();
    assert_eq!(
        plan.replaced_before("weights").as_deref(),
        Some("it builds on `grades`, which uses grade.laplacian in place of grade.gradient")
    );
    assert_eq!((plan.replaced_before("grades"), plan.replaced_before("found")), (None, None));
    assert_eq!(compiled(GRADED, &[]).unwrap().replaced_before("weights"), None);
}

#[test]
fn a_setting_is_blamed_by_the_option_it_came_with() {
    let given = Given { inputs: BTreeMap::from([("clip".to_string(), 1)]) };
    let vary = [Override { text: "weights.bye=x".into(), origin: "--vary".into() }];
    let found = compile(&recipe_text("test", GRADED), &with_columns(), &given, &vary, &Shelf(vec![])).unwrap_err();
    assert!(found.to_string().starts_with("--vary:1:9: `select.weighted` has no port or parameter `bye`"), "{found}");
}
