//! Every complaint about a recipe, with its place, cause and remedy.

use super::*;

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
