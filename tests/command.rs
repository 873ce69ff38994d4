//! The command's words: check, graph, methods, explain, runs, and its exit codes. What it should say is defined by the
//! project alone, so no outside reference applies.

use crate::support::{folder, stillair, workspace};

#[test]
fn methods_are_listed_by_family() {
    let here = workspace();
    let all = stillair(&here, &["methods"]);
    assert_eq!(all.code, Some(0));
    for family in ["align", "crop", "decode", "demosaic", "find", "grade", "select", "sharpen", "stack", "write"] {
        assert!(all.out.lines().any(|line| line.starts_with(&format!("{family}."))), "no method of {family}");
    }
    let stack = stillair(&here, &["methods", "stack"]);
    assert!(stack.out.lines().all(|line| line.starts_with("stack.")) && stack.out.contains("stack.mean"));
    assert!(stack.out.lines().any(|line| line.contains("reduce")), "the shape is shown: {}", stack.out);
    let json = stillair(&here, &["methods", "stack", "--json"]);
    let first: serde_json::Value = serde_json::from_str(json.out.lines().next().unwrap()).unwrap();
    assert!(first["method"].as_str().unwrap().starts_with("stack."));
    let wrong = stillair(&here, &["methods", "stak"]);
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.err.contains("no family of methods `stak`") && wrong.err.contains("did you mean `stack`?"));
}

#[test]
fn a_method_is_explained_in_full() {
    let said = stillair(&workspace(), &["explain", "stack.mean"]);
    assert_eq!(said.code, Some(0));
    for words in ["Takes", "frames: frames", "motion: a motion, one or more", "Gives", "Parameters", "kernel", "Source"]
    {
        assert!(said.out.contains(words), "{words}\n{}", said.out);
    }
    let found = stillair(&workspace(), &["explain", "select.fraction"]);
    assert!(found.out.contains("keep = 0.25  (0 to 1)"), "{}", found.out);
    let recipe = stillair(&workspace(), &["explain", "quick-look"]);
    assert!(recipe.out.contains("Inputs") && recipe.out.contains("stacked: stack.mean"), "{}", recipe.out);
    let wrong = stillair(&workspace(), &["explain", "stack.mena"]);
    assert_eq!(wrong.code, Some(2));
    assert!(wrong.err.contains("did you mean `stack.mean`?"), "{}", wrong.err);
}

#[test]
fn every_shipped_recipe_is_good_and_drawn() {
    for recipe in ["planet-colour", "planet-mono", "quick-look"] {
        let check = stillair(&workspace(), &["check", recipe]);
        assert_eq!((check.code, check.err.as_str()), (Some(0), ""), "{recipe}");
        assert!(check.out.starts_with(&format!("{recipe}: good, ")), "{}", check.out);
        let text = stillair(&workspace(), &["graph", recipe]);
        assert!(text.out.contains("pass 1 of ") && text.out.contains("results.picture"), "{}", text.out);
        let dot = stillair(&workspace(), &["graph", recipe, "--dot"]);
        assert!(dot.out.starts_with("digraph recipe {") && dot.out.trim_end().ends_with('}'));
        assert!(dot.out.contains("subgraph cluster_1"));
    }
}

#[test]
fn the_passes_of_planet_colour_are_five() {
    let text = stillair(&workspace(), &["graph", "planet-colour"]).out;
    let passes: Vec<&str> = text.lines().filter(|line| line.starts_with("pass ")).collect();
    assert_eq!(passes.len(), 5, "{text}");
    let part = |number: usize| text.split("\npass ").nth(number).unwrap();
    assert!(part(1).contains("found") && part(2).contains("grades") && part(3).contains("shifts"));
    assert!(part(4).contains("agreement") && part(4).contains("colour_shift"));
    assert!(part(5).contains("stacked") && part(5).contains("best_frame") && part(5).contains("median_frame"));
}

#[test]
fn the_memory_bound_is_printed() {
    let said = stillair(&workspace(), &["check", "quick-look", "--memory", "640x480x3000", "--jobs", "2"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("memory for a clip of 3000 frames of 640x480, 2 threads"), "{}", said.out);
    assert!(said.out.contains("at most, of a budget of 256.0 MB"), "{}", said.out);
    let small = stillair(&workspace(), &["check", "quick-look", "--memory", "--memory-budget", "20MB"]);
    assert_eq!(small.code, Some(1));
    assert!(small.err.contains("more than the budget of 20.0 MB"), "{}", small.err);
}

#[test]
fn the_usual_budget_grows_for_large_frames_and_a_given_one_does_not() {
    let here = folder("large-frames");
    let large = ["check", "planet-colour", "--memory", "1280x960x3000"];
    let said = stillair(&here, &large);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("at most, of a budget of"), "{}", said.out);
    assert!(!said.out.contains("of a budget of 256.0 MB"), "{}", said.out);
    let firm = stillair(&here, &[&large[..], &["--memory-budget", "256MB"]].concat());
    assert_eq!(firm.code, Some(1));
    assert!(
        firm.err.contains("more than the budget of 256.0 MB") && firm.err.contains("--memory-budget"),
        "{}",
        firm.err
    );
}

#[test]
fn the_request_is_refused_before_any_work() {
    let here = folder("refused");
    let missing = stillair(&here, &["run", "planet-colour", "none.ser"]);
    assert_eq!(missing.code, Some(2), "{}", missing.err);
    assert!(missing.err.contains("none.ser"), "{}", missing.err);
    let none = stillair(&here, &["run", "planet-colour"]);
    assert_eq!(none.code, Some(2));
    assert!(none.err.contains("the input `clip` was not given"), "{}", none.err);
    let two = stillair(&here, &["run", "quick-look", "a.ser", "b.ser"]);
    assert_eq!(two.code, Some(2));
    assert!(two.err.contains("no more clips for `clip`, but there is also b.ser"), "{}", two.err);
    let name = stillair(&here, &["run", "planet-color", "a.ser"]);
    assert!(
        name.err.contains("there is no recipe `planet-color`") && name.err.contains("did you mean `planet-colour`?")
    );
    let flag = stillair(&here, &["run", "planet-colour", "a.ser", "--fact", "telescope.aperture_cm=10.5"]);
    assert_eq!(flag.code, Some(2));
    assert!(flag.err.contains("write `aperture_mm = 105`"), "{}", flag.err);
    let set = stillair(&here, &["run", "planet-colour", "a.ser", "--set", "sharp.strenth=2"]);
    assert_eq!(set.code, Some(2));
    assert!(set.err.contains("did you mean `strength`?") && set.err.contains("--> --set:1:7"), "{}", set.err);
    std::fs::write(here.join("s.toml"), "[telescope]\naperture_mm = -1\n").unwrap();
    let session = stillair(&here, &["run", "planet-colour", "a.ser", "--session", "s.toml"]);
    assert_eq!(session.code, Some(2));
    assert!(
        session.err.contains("s.toml:2:15") && session.err.contains("`aperture_mm` cannot be -1"),
        "{}",
        session.err
    );
    assert!(!here.join("runs").exists(), "nothing may be left behind");
    assert_eq!(stillair(&here, &["walk"]).code, Some(2));
    assert_eq!(stillair(&here, &["run", "planet-colour", "a.ser", "--memory-budget", "9 ells"]).code, Some(2));
}

#[test]
fn a_folder_without_runs_has_none() {
    let here = folder("no-runs");
    let said = stillair(&here, &["runs"]);
    assert_eq!((said.code, said.out.trim()), (Some(0), "no runs in runs"));
    let said = stillair(&here, &["report", "nothing"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("nothing is not a run folder"), "{}", said.err);
}
