//! Every recipe that ships or is printed in a document runs on a small simulated clip. What it leaves is defined by the
//! project alone, so no outside reference applies.

use std::path::{Path, PathBuf};

use crate::clips;
use crate::support::{Said, folder, stillair, workspace};

/// The run folder that a run named on its last lines.
fn run_folder(here: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

fn ran(said: &Said, what: &str) {
    assert_eq!(said.code, Some(0), "{what}: {}", said.err);
}

fn holds(run: &Path, files: &[&str]) {
    for file in files {
        let length = std::fs::metadata(run.join("results").join(file)).map_or(0, |m| m.len());
        assert!(length > 0, "{file} of {}", run.display());
    }
}

#[test]
fn the_recipe_of_the_readme_makes_a_picture() {
    let here = folder("readme");
    let text = std::fs::read_to_string(workspace().join("README.md")).unwrap();
    let recipe = text.split("```toml").nth(1).and_then(|rest| rest.split("```").next()).expect("a recipe is printed");
    std::fs::write(here.join("first-light.toml"), recipe).unwrap();
    clips::grey().write(&here.join("clip.ser"));
    ran(&stillair(&here, &["check", "first-light.toml"]), "check");
    ran(&stillair(&here, &["run", "first-light.toml", "clip.ser"]), "run");
    holds(&run_folder(&here), &["picture.tif", "stack.tif"]);
}

#[test]
fn planet_recipes_make_pictures_of_mosaic_and_grey_clips() {
    for recipe in ["planet-colour", "planet-mono", "planet-patches", "quick-look"] {
        for (kind, capture) in [("mosaic", clips::mosaic()), ("grey", clips::grey())] {
            if recipe == "planet-mono" && kind == "mosaic" {
                continue;
            }
            let here = folder(&format!("shipped-{recipe}-{kind}"));
            capture.write(&here.join("clip.ser"));
            ran(&stillair(&here, &["run", recipe, "clip.ser"]), recipe);
            holds(&run_folder(&here), &["picture.png", "picture.tif", "stack.tif"]);
        }
    }
}

#[test]
fn terrain_recipes_make_one_picture_of_one_clip_or_several() {
    let here = folder("shipped-terrain");
    clips::terrain([0.0, 0.0]).write(&here.join("a.ser"));
    clips::terrain([78.0, 11.0]).write(&here.join("b.ser"));
    ran(&stillair(&here, &["run", "terrain", "a.ser"]), "terrain");
    let run = run_folder(&here);
    holds(&run, &["picture.png", "picture.tif", "stack.tif", "best-frame.png"]);
    std::fs::remove_dir_all(&run).unwrap();
    ran(&stillair(&here, &["run", "terrain-panels", "a.ser", "b.ser"]), "terrain-panels");
    let run = run_folder(&here);
    holds(&run, &["picture.png", "picture.tif", "stack.tif"]);
    let picture = std::fs::read(run.join("results/picture.png")).unwrap();
    // The width in a PNG's header: bytes 16 to 19 (PNG specification, section 11.2.2).
    let width = u32::from_be_bytes(picture[16..20].try_into().unwrap());
    assert!((128 + 74..=128 + 83).contains(&width), "{width}");
}

#[test]
fn master_recipes_make_masters() {
    for recipe in ["master-bias", "master-dark", "master-flat"] {
        let here = folder(&format!("shipped-{recipe}"));
        let level = if recipe == "master-flat" { 120 } else { 4 };
        clips::sky(level, 3).write(&here.join("clip.ser"));
        ran(&stillair(&here, &["run", recipe, "clip.ser"]), recipe);
        holds(&run_folder(&here), &[&format!("{recipe}.tif")]);
    }
}

#[test]
fn examples_are_good_and_every_format_is_written() {
    let here = folder("examples");
    for entry in std::fs::read_dir(workspace().join("examples")).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "toml") {
            ran(&stillair(&here, &["check", path.to_str().unwrap()]), &path.display().to_string());
        }
    }
    clips::mosaic().write(&here.join("clip.ser"));
    let recipe = workspace().join("examples/all-formats.toml");
    ran(&stillair(&here, &["run", recipe.to_str().unwrap(), "clip.ser"]), "all-formats");
    holds(
        &run_folder(&here),
        &["picture.jpg", "picture.png", "picture.tif", "stack.fits", "steadied.ser", "frames.csv"],
    );
}
