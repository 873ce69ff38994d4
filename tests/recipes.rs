//! A recipe that is wrong is refused with place, cause and remedy, and exit code 2. What the command should say is
//! defined by the project alone, so no outside reference applies.

use std::path::Path;

use crate::support::{Said, folder, stillair, workspace};

const GOOD: &str = r#"schema = 1
name = "first-light"

[inputs]
clip = { type = "frames" }

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

fn check(here: &Path, from: &str, to: &str) -> Said {
    assert!(from.is_empty() || GOOD.contains(from), "{from}");
    let text = if from.is_empty() { format!("{GOOD}{to}") } else { GOOD.replace(from, to) };
    std::fs::write(here.join("recipe.toml"), text).unwrap();
    stillair(here, &["check", "recipe.toml"])
}

fn refused(name: &str, from: &str, to: &str, words: &[&str]) {
    let said = check(&folder(name), from, to);
    assert_eq!(said.code, Some(2), "{}", said.err);
    for words in words {
        assert!(said.err.contains(words), "{words}\n---\n{}", said.err);
    }
}

#[test]
fn a_good_recipe_is_good() {
    let said = check(&folder("good"), "", "");
    assert_eq!((said.code, said.err.as_str()), (Some(0), ""));
    assert_eq!(said.out, "first-light: good, 9 steps in 3 passes\n");
}

#[test]
fn a_loop() {
    let words =
        ["the steps form a loop: grades -> weights -> grades", "recipe.toml:14:9", "take one of these links away"];
    refused("loop", "table = \"@found\"", "table = \"@weights\"", &words);
}

#[test]
fn an_unknown_method() {
    refused(
        "method",
        "find.disc",
        "find.disk",
        &["there is no method `find.disk`", "did you mean `find.disc`?", "recipe.toml:8:7"],
    );
}

#[test]
fn an_unknown_parameter_and_an_unknown_key() {
    refused("parameter", "power = 2", "powre = 2", &["no port or parameter `powre`", "did you mean `power`?"]);
    refused("key", "schema = 1", "schema = 1\nsumary = \"x\"", &["unknown key `sumary`", "did you mean `summary`?"]);
}

#[test]
fn a_wrong_type() {
    let words = ["`power` cannot be a text", "it takes a number from 0 to 20", "recipe.toml:19:9"];
    refused("type", "power = 2", "power = \"two\"", &words);
}

#[test]
fn a_value_out_of_range() {
    refused(
        "range",
        "power = 2",
        "power = 200",
        &["`power` cannot be 200", "it takes a number from 0 to 20", "the default is 2"],
    );
}

#[test]
fn a_duplicate_key() {
    let words = ["duplicate key `power`", "it was set on line 19 already", "recipe.toml:20:1", "keep one of the two"];
    refused("duplicate", "power = 2", "power = 2\npower = 3", &words);
}

#[test]
fn a_bad_link() {
    let words = [
        "`image` of step `sharp` (sharpen.starlet) takes an image, but `grades` (grade.gradient) gives a table",
        "link one that gives an image: @stacked",
    ];
    refused("link", "image = \"@stacked\"", "image = \"@grades\"", &words);
    refused(
        "nowhere",
        "image = \"@stacked\"",
        "image = \"@staked\"",
        &["which does not exist", "did you mean `stacked`?"],
    );
}

#[test]
fn a_missing_port() {
    refused(
        "port",
        "image = \"@stacked\"\n",
        "",
        &["the step `sharp` lacks its port `image`", "add `image = \"@stacked\"`, say"],
    );
}

#[test]
fn text_that_is_not_toml() {
    refused("toml", "power = 2", "power = = 2", &["the text is not valid TOML", "recipe.toml:19:9"]);
}

#[test]
fn a_path_out_of_the_run_folder() {
    let step = "[step.out]\nuse = \"write.tiff\"\nimage = \"@sharp\"\nname = \"/etc/x\"\n";
    refused("path", "", step, &["`name` cannot be \"/etc/x\"", "a recipe may name no file outside the run folder"]);
}

#[test]
fn all_errors_at_once() {
    let here = folder("all");
    let text = GOOD.replace("find.disc", "find.disk").replace("power = 2", "powr = 2").replace("@shifts", "@shfts");
    std::fs::write(here.join("recipe.toml"), text).unwrap();
    let said = stillair(&here, &["check", "recipe.toml"]);
    assert_eq!(said.err.matches("error: ").count(), 3, "{}", said.err);
    assert!(said.err.ends_with("3 errors\n"), "{}", said.err);
    let json = stillair(&here, &["check", "recipe.toml", "--json"]);
    let first: serde_json::Value = serde_json::from_str(json.out.lines().next().unwrap()).unwrap();
    assert_eq!((first["diagnostic"]["line"].as_u64(), first["diagnostic"]["column"].as_u64()), (Some(8), Some(7)));
}

#[test]
fn a_step_that_nothing_needs_is_a_warning() {
    let said = check(&folder("spare"), "", "[step.spare]\nuse = \"sharpen.unsharp\"\nimage = \"@stacked\"\n");
    assert_eq!(said.code, Some(0));
    assert!(said.err.contains("warning: nothing needs the step `spare`"), "{}", said.err);
}

#[test]
fn a_recipe_extends_one_beside_it() {
    let here = folder("extends");
    std::fs::write(here.join("base.toml"), GOOD).unwrap();
    let text =
        "schema = 1\nname = \"softer\"\nextends = \"base\"\n[step.sharp]\nuse = \"sharpen.unsharp\"\namount = 0.5\n";
    std::fs::write(here.join("softer.toml"), text).unwrap();
    let said = stillair(&here, &["graph", "softer.toml"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("sharpen.unsharp") && said.out.contains("amount=0.5"), "{}", said.out);
    let said = stillair(&here, &["graph", "softer.toml", "--set", "sharp.use=sharpen.wiener"]);
    assert!(said.out.contains("sharpen.wiener") && !said.out.contains("amount"), "{}", said.out);
}

#[test]
fn shipped_recipes_carry_their_file_names() {
    for entry in std::fs::read_dir(workspace().join("pipelines")).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let name = path.file_stem().unwrap().to_str().unwrap();
        assert!(text.contains(&format!("name    = \"{name}\"\n")), "{name}");
    }
}
