//! Recipes over an invented catalogue: plans, passes and every complaint. No outside reference applies; what a recipe
//! means is defined here.

use std::collections::BTreeMap;

use stillair_api::{
    ColumnSpec, Description, Facts, Fault, Method, Node, Outcome, Parameter, ParameterValue, Parameters, Plugin,
    PortType, Shape,
};

use super::*;
use crate::plan::{Pass, Stage};

struct Fake(Description);

impl Method for Fake {
    fn describe(&self) -> Description {
        self.0.clone()
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Err(Fault::internal("a description only"))
    }
}

use PortType::{Frames, Image, Motion, Record, Table};

fn source(name: &str) -> Description {
    Description::new(name, Shape::Source, "").output("frames", Frames, "")
}

fn map(name: &str) -> Description {
    let description = Description::new(name, Shape::Map, "").input("frames", Frames, "the stream");
    description.output("frames", Frames, "").through("frames")
}

fn catalogue() -> Catalogue {
    let descriptions = vec![
        source("decode.auto").parameter(Parameter::choice("byte_order", &["auto", "little", "big"], "auto", "")),
        source("simulate.planet").parameter(Parameter::integer("frames", "", 1, 100_000, 1000, "")),
        map("demosaic.bilinear"),
        map("crop.follow").input("table", Table, "where the target is").whole(),
        map("calibrate.dark").input("dark", Image, "the master dark"),
        Description::new("calibrate.master", Shape::Reduce, "").input("frames", Frames, "").output("image", Image, ""),
        Description::new("find.disc", Shape::Measure, "")
            .input("frames", Frames, "the stream")
            .output("table", Table, "")
            .column(ColumnSpec::number("x_px", "px", "")),
        Description::new("grade.gradient", Shape::Measure, "")
            .input("frames", Frames, "the stream")
            .input("table", Table, "where the target is")
            .output("table", Table, "")
            .parameter(Parameter::auto_number("blur_px", "px", 0.1, 5.0, "")),
        Description::new("grade.projection", Shape::Measure, "")
            .input("frames", Frames, "the stream")
            .input("table", Table, "")
            .input("motion", Motion, "")
            .input("reference", Image, "the running stack")
            .output("table", Table, ""),
        Description::new("select.weighted", Shape::Transform, "")
            .input("table", Table, "graded frames")
            .output("table", Table, "")
            .parameter(Parameter::number("power", "", 0.0, 10.0, 2.0, "")),
        Description::new("select.fraction", Shape::Transform, "")
            .input("table", Table, "graded frames")
            .output("table", Table, "")
            .parameter(Parameter::number("keep", "", 0.0, 1.0, 0.2, "")),
        Description::new("align.correlate", Shape::Reduce, "")
            .input("frames", Frames, "the stream")
            .input("table", Table, "")
            .output("motion", Motion, "")
            .output("reference", Image, "")
            .sweeps(3),
        Description::new("align.centroid", Shape::Measure, "")
            .input("frames", Frames, "the stream")
            .input("table", Table, "")
            .output("motion", Motion, ""),
        Description::new("stack.mean", Shape::Reduce, "")
            .input("frames", Frames, "the stream")
            .input("table", Table, "")
            .input("motion", Motion, "")
            .many()
            .output("image", Image, "")
            .parameter(Parameter::choice("kernel", &["cubic", "lanczos"], "cubic", ""))
            .parameter(Parameter::flag("halves", true, ""))
            .parameter(Parameter::integer("edge", "px", 0, 8, 4, "")),
        Description::new("derotate.merge", Shape::Transform, "")
            .input("images", Image, "")
            .many()
            .output("image", Image, ""),
        Description::new("sharpen.starlet", Shape::Transform, "")
            .input("image", Image, "")
            .output("image", Image, "")
            .parameter(Parameter::auto_numbers("gain", "", 0.0, 9.0, ""))
            .parameter(Parameter::number("strength", "", 0.0, 1.0, 0.5, "")),
        Description::new("sharpen.wiener", Shape::Transform, "").input("image", Image, "").output("image", Image, ""),
        Description::new("select.halves", Shape::Transform, "")
            .input("image", Image, "")
            .output("a", Image, "")
            .output("b", Image, ""),
        Description::new("assess.noise", Shape::Transform, "").input("image", Image, "").output("record", Record, ""),
        Description::new("write.tiff", Shape::Sink, "")
            .input("image", Image, "")
            .extension("tif")
            .parameter(Parameter::text("name", "picture", "")),
        Description::new("write.csv", Shape::Sink, "")
            .input("table", Table, "")
            .extension("csv")
            .parameter(Parameter::text("name", "table", "")),
        Description::new("write.ser", Shape::Sink, "")
            .input("frames", Frames, "")
            .optional("table", Table, "")
            .extension("ser")
            .parameter(Parameter::text("name", "clip", "")),
    ];
    let methods = descriptions.into_iter().map(|d| Box::new(Fake(d)) as Box<dyn Method>).collect();
    Catalogue::new(vec![Plugin { id: "fake", version: "1", methods }]).unwrap()
}

struct Shelf(Vec<(&'static str, String)>);

impl Library for Shelf {
    fn find(&self, name: &str) -> Option<RecipeText> {
        self.0.iter().find(|(n, _)| *n == name).map(|(n, text)| recipe_text(n, text))
    }

    fn names(&self) -> Vec<String> {
        self.0.iter().map(|(n, _)| (*n).to_string()).collect()
    }
}

fn recipe_text(name: &str, text: &str) -> RecipeText {
    RecipeText { name: name.into(), path: format!("{name}.toml").into(), text: text.into() }
}

fn compile_with(text: &str, given: &[(&str, usize)], set: &[&str], shelf: &Shelf) -> Result<Plan, Diagnostics> {
    let given = Given { inputs: given.iter().map(|(n, c)| ((*n).to_string(), *c)).collect::<BTreeMap<_, _>>() };
    let overrides: Vec<_> = set.iter().map(|t| Override { text: (*t).into() }).collect();
    compile(&recipe_text("test", text), &catalogue(), &given, &overrides, shelf)
}

fn plan(text: &str) -> Plan {
    compile_with(text, &[("clip", 1)], &[], &Shelf(vec![])).unwrap_or_else(|e| panic!("{e}"))
}

fn errors(text: &str) -> Vec<String> {
    let found = compile_with(text, &[("clip", 1)], &[], &Shelf(vec![])).expect_err("the recipe must be refused");
    found.errors().map(ToString::to_string).collect()
}

/// The only complaint about a recipe.
fn error(text: &str) -> String {
    let mut all = errors(text);
    assert_eq!(all.len(), 1, "{all:#?}");
    all.remove(0)
}

const FIRST_LIGHT: &str = r#"schema = 1
name = "first-light"
summary = "The shortest path"

[inputs]
clip = { type = "frames", help = "the capture" }

[step.found]
use = "find.disc"
frames = "@clip"

[step.grades]
use = "grade.gradient"
frames = "@clip"
table = "@found"

[step.weights]
use = "select.weighted"
table = "@grades"
power = 2

[step.shifts]
use = "align.correlate"
frames = "@clip"
table = "@weights"

[step.stacked]
use = "stack.mean"
frames = "@clip"
table = "@weights"
motion = ["@shifts"]

[step.sharp]
use = "sharpen.starlet"
image = "@stacked"

[results]
picture = "@sharp"
stack = "@stacked"
"#;

fn names(plan: &Plan, pass: &Pass) -> String {
    pass.nodes.iter().map(|i| plan.nodes[*i].step.as_str()).collect::<Vec<_>>().join(" ")
}

fn stage_words(plan: &Plan) -> Vec<String> {
    let word = |stage: &Stage| match stage {
        Stage::Pass(pass) => format!("{}: {}", plan.nodes[pass.source].step, names(plan, pass)),
        Stage::Value(index) => plan.nodes[*index].step.clone(),
    };
    plan.stages.iter().map(word).collect()
}

#[test]
fn a_recipe_becomes_passes() {
    let plan = plan(FIRST_LIGHT);
    assert_eq!(
        stage_words(&plan),
        ["clip: found grades", "weights", "clip: shifts", "clip: stacked", "sharp", "results.picture", "results.stack"]
    );
    assert_eq!(plan.recipe, FIRST_LIGHT);
    assert_eq!(plan.warnings, []);
    let weights = plan.nodes.iter().find(|n| n.step == "weights").unwrap();
    assert_eq!(weights.parameters.0["power"], ParameterValue::Number(2.0));
    assert_eq!(weights.given, ["power"]);
    assert_eq!(plan.results.iter().map(|(n, _)| n.as_str()).collect::<Vec<_>>(), ["picture", "stack"]);
    let source = &plan.nodes[0];
    assert_eq!((source.description.method.as_str(), &source.file), ("decode.auto", &Some(("clip".into(), 0))));
}

#[test]
fn a_map_works_in_every_pass_that_needs_it_and_a_whole_port_waits() {
    let text = r#"schema = 1
        name = "windowed"
        inputs.clip.type = "frames"
        [step.stacked]
        use = "stack.mean"
        frames = "@colours"
        table = "@weights"
        motion = ["@shifts.motion"]
        [step.colours]
        use = "demosaic.bilinear"
        frames = "@window"
        [step.window]
        use = "crop.follow"
        frames = "@clip"
        table = "@found"
        [step.found]
        use = "find.disc"
        frames = "@clip"
        [step.grades]
        use = "grade.gradient"
        frames = "@window"
        table = "@found"
        [step.first]
        use = "select.weighted"
        table = "@grades"
        [step.shifts]
        use = "align.correlate"
        frames = "@window"
        table = "@first"
        [step.agreement]
        use = "grade.projection"
        frames = "@window"
        table = "@first"
        motion = "@shifts"
        reference = "@shifts"
        [step.weights]
        use = "select.weighted"
        table = "@agreement"
        [results]
        stack = "@stacked"
        weights = "@weights"
    "#;
    let plan = plan(text);
    assert_eq!(
        stage_words(&plan),
        [
            "clip: found",
            "clip: window grades",
            "first",
            "clip: window shifts",
            "clip: window agreement",
            "weights",
            "results.weights",
            "clip: window colours stacked",
            "results.stack",
        ]
    );
    let text = graph_text(&plan);
    assert!(text.contains("pass 3 of 5: reads `clip`, up to 3 times"), "{text}");
    let dot = graph_dot(&plan);
    assert!(dot.contains("subgraph cluster_5") && dot.contains("pass 3 over clip"), "{dot}");
    assert_eq!(dot.matches('{').count(), dot.matches('}').count());
}

#[test]
fn each_clip_runs_on_its_own_until_gathered() {
    let text = FIRST_LIGHT.replace("help = \"the capture\"", "many = true")
        + "merged = \"@merged\"\n[step.merged]\nuse = \"derotate.merge\"\nimages = [\"@stacked\"]\n";
    let run = |count| compile_with(&text, &[("clip", count)], &[], &Shelf(vec![])).unwrap();
    let two = run(2);
    let stages = stage_words(&two);
    assert_eq!(stages[..2], ["clip[1]: found[1] grades[1]", "clip[2]: found[2] grades[2]"]);
    let merged = two.nodes.iter().find(|n| n.step == "merged").unwrap();
    let gathered: Vec<_> = merged.inputs[0].iter().map(|o| two.nodes[o.node].step.as_str()).collect();
    assert_eq!(gathered, ["stacked[1]", "stacked[2]"]);
    // A port for many that stands beside a single port of the same clips takes the clip's own.
    let stacked = two.nodes.iter().find(|n| n.step == "stacked[2]").unwrap();
    let motion: Vec<_> = stacked.inputs[2].iter().map(|o| two.nodes[o.node].step.as_str()).collect();
    assert_eq!(motion, ["shifts[2]"]);
    let results: Vec<_> = two.results.iter().map(|(n, _)| n.as_str()).collect();
    assert_eq!(results, ["picture-1", "picture-2", "stack-1", "stack-2", "merged"]);
    assert!(run(1).nodes.iter().all(|n| !n.step.contains('[')));
}

#[test]
fn what_is_not_given_is_left_out_and_handed_through() {
    let text = FIRST_LIGHT.replace(
        "[step.found]\nuse = \"find.disc\"\nframes = \"@clip\"",
        "dark = { type = \"frames\", optional = true }\n\
         [step.master]\nuse = \"calibrate.master\"\nframes = \"@dark\"\n\
         [step.clean]\nuse = \"calibrate.dark\"\nframes = \"@clip\"\ndark = \"@master\"\n\
         [step.found]\nuse = \"find.disc\"\nframes = \"@clean\"",
    );
    let without = plan(&text);
    assert_eq!(stage_words(&without)[0], "clip: found grades");
    let skipped: Vec<_> = without.skipped.iter().map(|s| format!("{}: {}", s.step, s.why)).collect();
    assert_eq!(
        skipped,
        [
            "master: nothing reaches its port `frames`: `dark` was not given",
            "clean: nothing reaches its port `dark`: the step `master` was left out, since nothing reaches its port \
             `frames`: `dark` was not given"
        ]
    );
    assert!(graph_text(&without).contains("left out"));
    let with = compile_with(&text, &[("clip", 1), ("dark", 1)], &[], &Shelf(vec![])).unwrap();
    assert_eq!(stage_words(&with)[..2], ["dark: master", "clip: clean found grades"]);
    assert_eq!(with.skipped, []);
}

#[test]
fn a_step_that_nothing_needs_is_left_out_with_a_warning() {
    let plan = plan(&format!("{FIRST_LIGHT}[step.spare]\nuse = \"sharpen.wiener\"\nimage = \"@stacked\"\n"));
    assert_eq!(plan.warnings.len(), 1);
    let words = plan.warnings[0].to_string();
    assert!(words.starts_with("test.toml:40:7: nothing needs the step `spare`"), "{words}");
    assert!(plan.nodes.iter().all(|n| n.step != "spare"));
}

#[test]
fn a_record_is_always_wanted() {
    let plan = plan(&format!("{FIRST_LIGHT}[step.noise]\nuse = \"assess.noise\"\nimage = \"@stacked\"\n"));
    assert_eq!(plan.warnings, []);
    assert!(plan.nodes.iter().any(|n| n.step == "noise"));
}

#[test]
fn settings_change_parameters_and_methods() {
    let text = FIRST_LIGHT.replace("use = \"sharpen.starlet\"", "use = \"sharpen.starlet\"\nstrength = 0.25");
    let set = |set: &[&str]| compile_with(&text, &[("clip", 1)], set, &Shelf(vec![]));
    let plan = set(&["sharp.use=sharpen.wiener", "weights.power=1.5", "stacked.kernel=lanczos"]).unwrap();
    let node = |name: &str| plan.nodes.iter().find(|n| n.step == name).unwrap();
    assert_eq!(node("sharp").description.method, "sharpen.wiener");
    assert_eq!(node("weights").parameters.0["power"], ParameterValue::Number(1.5));
    assert_eq!(node("stacked").parameters.0["kernel"], ParameterValue::Text("lanczos".into()));
    // The resolved recipe says the same without any settings.
    let again = compile_with(&plan.recipe, &[("clip", 1)], &[], &Shelf(vec![])).unwrap();
    assert_eq!(again.nodes.len(), plan.nodes.len());
    for (a, b) in again.nodes.iter().zip(&plan.nodes) {
        assert_eq!((&a.step, &a.parameters, &a.inputs), (&b.step, &b.parameters, &b.inputs));
    }
    let found = set(&["sharp.strength=7", "sharpe.strength=1", "nonsense", "sharp.use=sharpen.wienr"]).unwrap_err();
    let words: Vec<_> = found.errors().map(ToString::to_string).collect();
    assert!(
        words.iter().any(|w| w.contains("--set:1:1: there is no step `sharpe`; did you mean `sharp`?")),
        "{words:#?}"
    );
    assert!(words.iter().any(|w| w.contains("`nonsense` is not a setting")), "{words:#?}");
    assert!(
        words.iter().any(|w| w.contains("no method `sharpen.wienr`; did you mean `sharpen.wiener`?")),
        "{words:#?}"
    );
    let found = set(&["sharp.strength=7"]).unwrap_err();
    let first = found.list[0].clone();
    assert_eq!((first.file.as_str(), first.column, &first.text[first.span.clone()]), ("--set", 16, "7"));
}

#[test]
fn an_input_takes_its_readers_parameters() {
    let text = FIRST_LIGHT.replace("help =", "byte_order = \"big\", help =");
    let order = |plan: &Plan| plan.nodes[0].parameters.0["byte_order"].clone();
    assert_eq!(order(&plan(&text)), ParameterValue::Text("big".into()));
    let set = compile_with(&text, &[("clip", 1)], &["clip.byte_order=little"], &Shelf(vec![])).unwrap();
    assert_eq!(order(&set), ParameterValue::Text("little".into()));
    let again = compile_with(&set.recipe, &[("clip", 1)], &[], &Shelf(vec![])).unwrap();
    assert_eq!(order(&again), ParameterValue::Text("little".into()));
    let found = error(&FIRST_LIGHT.replace("help =", "byte_ordr = \"big\", help ="));
    assert!(found.contains("unknown key `byte_ordr` of an input; did you mean `byte_order`?"), "{found}");
}

#[test]
fn a_recipe_may_extend_another() {
    let shelf = Shelf(vec![("first-light", FIRST_LIGHT.to_string())]);
    let text = r#"schema = 1
name = "softer"
extends = "first-light"
without = ["sharp"]
[step.weights]
use = "select.fraction"
keep = 0.1
[results]
picture = "@stacked"
stack = "@stacked"
"#;
    let plan = compile_with(text, &[("clip", 1)], &[], &shelf).unwrap_or_else(|e| panic!("{e}"));
    let node = |name: &str| plan.nodes.iter().find(|n| n.step == name);
    assert_eq!(plan.name, "softer");
    assert_eq!(plan.summary, "The shortest path");
    assert!(node("sharp").is_none());
    let weights = node("weights").unwrap();
    assert_eq!(weights.given, ["keep"], "the other method's power must not come along");
    assert!(!plan.recipe.contains("extends") && plan.recipe.contains("[step.found]"), "{}", plan.recipe);
    compile_with(&plan.recipe, &[("clip", 1)], &[], &Shelf(vec![])).unwrap_or_else(|e| panic!("{e}"));

    let wrong = text.replace("first-light", "first-lite").replace("without = [\"sharp\"]\n", "");
    let found = compile_with(&wrong, &[("clip", 1)], &[], &shelf).unwrap_err().to_string();
    assert!(found.contains("test.toml:3:11: there is no recipe `first-lite` to extend; did you mean `first-light`?"));
    let circle = Shelf(vec![("a", "schema = 1\nextends = \"test\"".into())]);
    let found = compile_with("schema = 1\nextends = \"a\"", &[], &[], &circle).unwrap_err().to_string();
    assert!(found.contains("`test` extends itself: test -> a -> test"), "{found}");
}

#[test]
fn variants_and_checks_are_kept_and_validated() {
    let good = format!(
        "{FIRST_LIGHT}[variant.wiener]\nsharp.use = \"sharpen.wiener\"\n[variant.strong.sharp]\nstrength = 1.0\n\
         [[expect]]\nnumber = \"stacked.frames-used\"\nmin = 10\nclip = {{ frames = 100 }}\n"
    );
    let plan = plan(&good);
    let variants: Vec<_> = plan.variants.iter().map(|v| format!("{} {}", v.name, v.settings.join(" "))).collect();
    assert_eq!(variants, ["wiener sharp.use=\"sharpen.wiener\"", "strong sharp.strength=1.0"]);
    let settings: Vec<&str> = plan.variants[0].settings.iter().map(String::as_str).collect();
    let varied = compile_with(&good, &[("clip", 1)], &settings, &Shelf(vec![])).unwrap();
    assert!(varied.nodes.iter().any(|n| n.description.method == "sharpen.wiener"));
    let check = &plan.expectations[0];
    assert_eq!((check.step.as_str(), check.number.as_str(), check.min), ("stacked", "frames-used", Some(10.0)));
    assert_eq!(check.clip_parameters.0["frames"], ParameterValue::Integer(100));

    let bad = errors(&format!(
        "{FIRST_LIGHT}[variant.strong.sharp]\nstrength = 2.0\n[[expect]]\nnumber = \"staked.n\"\nmin = 2\nmax = 1\n"
    ));
    assert!(bad[0].contains("in the variant `strong`, `strength` cannot be 2"), "{bad:#?}");
    assert!(bad.iter().any(|b| b.contains("no step `staked`; did you mean `stacked`?")), "{bad:#?}");
    assert!(bad.iter().any(|b| b.contains("no number is at least 2 and at most 1")), "{bad:#?}");
    assert!(error(&format!("{FIRST_LIGHT}[[expect]]\nnumber = \"sharp.n\"\n")).contains("has no bound"));
}

#[test]
fn all_errors_come_at_once_with_their_places() {
    let text = FIRST_LIGHT
        .replace("find.disc", "find.disk")
        .replace("power = 2", "powr = 2")
        .replace("motion = [\"@shifts\"]", "motion = [\"@shift\"]\nkernel = \"cubik\"\nhalves = 1\nedge = 2.5");
    let found = errors(&text);
    let starts = [
        "test.toml:9:7: there is no method `find.disk`; did you mean `find.disc`?",
        "test.toml:20:1: `select.weighted` has no port or parameter `powr`; did you mean `power`?",
        "test.toml:31:11: `motion` of step `stacked` (stack.mean) is linked to `@shift`, which does not exist; did you mean `shifts`?",
        "test.toml:32:10: `kernel` cannot be `cubik`: it takes one of \"cubic\", \"lanczos\"; did you mean `cubic`?",
        "test.toml:33:10: `halves` cannot be a whole number: it takes true or false; write a value such as `halves = true`",
        "test.toml:34:8: `edge` cannot be a number: it takes a whole number from 0 to 8 px; write a value such as `edge = 4`",
    ];
    assert_eq!(found, starts);
}

#[test]
fn a_bad_link_names_both_ends_and_both_types() {
    let found = error(&FIRST_LIGHT.replace("table = \"@grades\"", "table = \"@clip\""));
    assert_eq!(
        found,
        "test.toml:19:9: `table` of step `weights` (select.weighted) takes a table, but the input `clip` gives frames; \
         link one that gives a table: @grades, @found"
    );
    let found = error(&FIRST_LIGHT.replace("image = \"@stacked\"", "image = \"@shifts.motion\""));
    assert!(found.contains("takes an image, but `@shifts.motion` of `shifts` (align.correlate) gives a motion"));
    let found = error(&FIRST_LIGHT.replace("image = \"@stacked\"", "image = \"@shifts.motoin\""));
    assert!(found.contains("`shifts` (align.correlate) has no output `motoin`; did you mean `motion`?"), "{found}");
    let found = error(&FIRST_LIGHT.replace("table = \"@grades\"", "table = \"grades\""));
    assert!(found.contains("takes a link, not `grades`: a link begins with `@`; write `@grades`"), "{found}");
    let found = error(&FIRST_LIGHT.replace("table = \"@grades\"", "table = [\"@grades\"]"));
    assert!(found.contains("takes one link, not a list") && found.contains("write `table = \"@grades\"`"), "{found}");
    let found = error(&FIRST_LIGHT.replace("table = \"@grades\"", "table = 3"));
    assert!(found.contains("takes a link: it is a whole number"), "{found}");
    let found = error(&FIRST_LIGHT.replace("power = 2", "power = \"@grades\""));
    assert!(found.contains("`power` cannot be a link") && found.contains("only ports take links"), "{found}");
    let halves = "[step.halves]\nuse = \"select.halves\"\nimage = \"@stacked\"\n[step.s2]\nuse = \"sharpen.wiener\"\n";
    let found = error(&format!("{FIRST_LIGHT}s2 = \"@s2\"\n{halves}image = \"@halves\"\n"));
    assert!(found.contains("gives several of that type") && found.contains("write `@halves.a` or `@halves.b`"));
    let found = error(&FIRST_LIGHT.replace("picture = \"@sharp\"", "picture = \"@shifts.motion\""));
    assert!(found.contains("the result `picture` takes an image") && found.contains("gives a motion"), "{found}");
}

#[test]
fn a_missing_port_is_named_with_what_could_fill_it() {
    let found = error(&FIRST_LIGHT.replace("image = \"@stacked\"\n", ""));
    assert!(found.starts_with("test.toml:33:7: the step `sharp` lacks its port `image`"), "{found}");
    assert!(
        found.contains("sharpen.starlet needs an image") && found.contains("add `image = \"@stacked\"`"),
        "{found}"
    );
}

#[test]
fn a_loop_is_named() {
    let found = error(&FIRST_LIGHT.replace("table = \"@found\"", "table = \"@weights\""));
    assert!(found.contains("the steps form a loop: grades -> weights -> grades"), "{found}");
    assert!(found.starts_with("test.toml:15:9"), "{found}");
    let found = error(&FIRST_LIGHT.replace("image = \"@stacked\"", "image = \"@sharp\""));
    assert!(found.contains("the steps form a loop: sharp -> sharp"), "{found}");
}

#[test]
fn numbers_are_held_to_range_and_unit() {
    let blur =
        |value: &str| FIRST_LIGHT.replace("table = \"@found\"", &format!("table = \"@found\"\nblur_px = {value}"));
    assert_eq!(
        error(&blur("7")),
        "test.toml:16:11: `blur_px` cannot be 7 px: it takes a number from 0.1 to 5 px or \"auto\"; the default is \"auto\""
    );
    for bad in ["nan", "inf", "-1", "1e999"] {
        assert!(error(&blur(bad)).contains("it takes a number from 0.1 to 5 px"), "{bad}");
    }
    assert!(error(&blur("\"automatic\"")).contains("`blur_px` cannot be a text"));
    plan(&blur("\"auto\""));
    plan(&blur("2"));
    let gain =
        |value: &str| FIRST_LIGHT.replace("image = \"@stacked\"", &format!("image = \"@stacked\"\ngain = {value}"));
    let sharp = plan(&gain("[1, 2.5]"));
    assert_eq!(
        sharp.nodes.iter().find(|n| n.step == "sharp").unwrap().parameters.0["gain"],
        ParameterValue::Numbers(vec![1.0, 2.5])
    );
    assert!(error(&gain("[1, 10]")).starts_with("test.toml:36:12: `gain` cannot be 10"));
    assert!(error(&gain("[1, \"x\"]")).contains("`gain` cannot be a list"));
    assert!(error(&gain("99999999999999999999")).contains("`gain` cannot be a number"));
}

#[test]
fn broken_toml_is_told_with_its_place() {
    let found = error(&FIRST_LIGHT.replace("power = 2", "power = 2\npower = 3"));
    assert_eq!(found, "test.toml:21:1: duplicate key `power`: it was set on line 20 already; keep one of the two");
    let found = error(&format!("{FIRST_LIGHT}\n[step.sharp]\nuse = \"sharpen.wiener\""));
    assert!(found.contains("duplicate key `sharp`") && found.contains("on line 33"), "{found}");
    let found = errors(&FIRST_LIGHT.replace("power = 2", "power = = 2"));
    assert!(found[0].starts_with("test.toml:20:9") && found[0].contains("not valid TOML"), "{found:#?}");
    assert!(!errors("\u{0}\u{1}").is_empty());
    assert!(!errors("[").is_empty());
}

#[test]
fn the_outline_is_checked() {
    assert!(error(&FIRST_LIGHT.replace("schema = 1\n", "")).contains("`schema` is missing"));
    assert!(error(&FIRST_LIGHT.replace("schema = 1\n", "schema = 2\n")).contains("this build reads schema 1"));
    assert!(error(&FIRST_LIGHT.replace("summary", "sumary")).contains("unknown key `sumary`; did you mean `summary`?"));
    assert!(error(&FIRST_LIGHT.replace("help =", "halp =")).contains("unknown key `halp` of an input"));
    assert!(error(&FIRST_LIGHT.replace("\"frames\", help", "\"image\", help")).contains("cannot be of type `image`"));
    assert!(error(&FIRST_LIGHT.replace("use = \"find.disc\"\n", "")).contains("does not say which method it uses"));
    let found = error(&FIRST_LIGHT.replace("summary = ", "without = [\"found\"]\nsummary = "));
    assert!(found.contains("`without` needs `extends`"), "{found}");
    let found = error(&FIRST_LIGHT.replace("clip = {", "dark = { optional = true }\nclip = {"));
    assert!(found.contains("the input `dark` has no type"), "{found}");
    let nothing = |text| compile_with(text, &[], &[], &Shelf(vec![])).unwrap_err().to_string();
    assert!(nothing("schema = 1").contains("the recipe gives nothing"));
    assert!(nothing("schema = 1\n[step]\na = 3").contains("`a` must be a table"));
    let both = errors(&FIRST_LIGHT.replace("clip = {", "found = { type = \"frames\", optional = true }\nclip = {"));
    assert!(both.iter().any(|b| b.contains("`found` is both an input and a step")), "{both:#?}");
}

#[test]
fn inputs_are_counted() {
    let run = |given: &[(&str, usize)]| compile_with(FIRST_LIGHT, given, &[], &Shelf(vec![])).unwrap_err().to_string();
    assert!(run(&[]).contains("the input `clip` was not given: the capture"));
    assert!(run(&[("clip", 2)]).contains("takes one file, but 2 were given"));
    assert!(run(&[("clip", 1), ("clap", 1)]).contains("the recipe has no input `clap`; did you mean `clip`?"));
    let declared = inputs(&recipe_text("test", FIRST_LIGHT), &NoLibrary).unwrap();
    assert_eq!((declared[0].name.as_str(), declared[0].optional), ("clip", false));
    assert_eq!(Given::assumed(&declared).inputs["clip"], 1);
}

#[test]
fn a_recipe_names_no_file_outside_the_run_folder() {
    let write =
        |name: &str| format!("{FIRST_LIGHT}[step.out]\nuse = \"write.tiff\"\nimage = \"@stacked\"\nname = {name}\n");
    for bad in ["\"/etc/x\"", "\"../x\"", "\"a/b\"", "'C:\\x'", "\"~x\"", "\"\"", "\".x\"", "\"a\\nb\"", "'a\\b'"] {
        assert!(error(&write(bad)).contains("a recipe may name no file outside the run folder"), "{bad}");
    }
    plan(&write("\"plain stack\""));
    let found = error(&write("\"Stack\""));
    assert!(found.contains("`out` and `results.stack` would write the same file"), "{found}");
    assert!(error(&FIRST_LIGHT.replace("stack = ", "\"../stack\" = ")).contains("cannot be the name of a result"));
    assert!(error(&FIRST_LIGHT.replace("\"first-light\"", "\"/x\"")).contains("cannot be the name of a recipe"));
}

#[test]
fn a_source_without_a_file_and_a_sink_of_frames_make_one_pass() {
    let text = "schema = 1\n[step.planet]\nuse = \"simulate.planet\"\nframes = 10\n\
                [step.out]\nuse = \"write.ser\"\nframes = \"@planet\"\n";
    let plan = compile_with(text, &[], &[], &Shelf(vec![])).unwrap();
    assert_eq!(stage_words(&plan), ["planet: out"]);
    assert_eq!(plan.nodes[0].file, None);
}

#[test]
fn a_measure_of_another_clip_is_waited_for() {
    let text = "schema = 1\ninputs.a.type = \"frames\"\ninputs.b.type = \"frames\"\n\
                [step.fa]\nuse = \"find.disc\"\nframes = \"@a\"\n\
                [step.gb]\nuse = \"grade.gradient\"\nframes = \"@b\"\ntable = \"@fa\"\n\
                [results]\ngrades = \"@gb\"\n";
    let plan = compile_with(text, &[("a", 1), ("b", 1)], &[], &Shelf(vec![])).unwrap();
    assert_eq!(stage_words(&plan), ["a: fa", "b: gb", "results.grades"]);
}
