//! Recipes over an invented catalogue: plans, passes and every complaint. No outside reference applies; what a recipe
//! means is defined here.

use std::collections::BTreeMap;

use stillair_api::{
    ColumnSpec, Description, Facts, Fault, Method, Node, Outcome, Parameter, ParameterValue, Parameters, Plugin,
    PortType, Shape,
};

use super::*;
use crate::plan::{Pass, Stage};

mod columns;
mod refusals;

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
    let overrides: Vec<_> = set.iter().map(|t| Override::set(t)).collect();
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
    // A name that is no slip of the finger may be that of a plugin.
    let words = set(&["sharp.use=sharpen.crisp"]).unwrap_err().errors().map(ToString::to_string).collect::<String>();
    assert!(words.contains("no method `sharpen.crisp`") && words.contains("--plugin-path"), "{words}");
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
