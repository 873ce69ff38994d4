//! `check` of run folders and of recipes' own checks. Both are the project's own, so no outside reference applies.

use std::path::{Path, PathBuf};

use crate::support::{Said, folder, stillair, write_clip};

fn copied(run: &Path, name: &str) -> PathBuf {
    let to = run.with_file_name(name);
    for part in ["results", "tables"] {
        std::fs::create_dir_all(to.join(part)).unwrap();
    }
    for part in ["", "results", "tables"] {
        for entry in std::fs::read_dir(run.join(part)).unwrap().map(Result::unwrap) {
            if entry.path().is_file() {
                std::fs::copy(entry.path(), to.join(part).join(entry.file_name())).unwrap();
            }
        }
    }
    to
}

#[test]
fn a_run_is_whole_until_something_in_it_is_changed() {
    let here = folder("check-run");
    write_clip(&here.join("a.ser"), 30);
    let said = stillair(&here, &["run", "quick-look", "a.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path()).find(|p| p.is_dir()).unwrap();
    let check = |run: &Path| stillair(&here, &["check", &run.file_name().unwrap().to_string_lossy()]);
    let said = check(&run);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    assert!(said.out.contains("whole"), "{}", said.out);
    let picture = std::fs::read_dir(run.join("results")).unwrap().next().unwrap().unwrap().file_name();
    let wrong = |name: &str, change: &dyn Fn(&Path), words: &str| {
        let other = copied(&run, name);
        change(&other);
        let Said { code, out, err } = check(&other);
        assert_eq!(code, Some(1), "{out}{err}");
        assert!(out.contains(words), "{out}{err}");
    };
    let edit = |path: PathBuf, from: &str, to: &str| {
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(text.contains(from), "{from}");
        std::fs::write(path, text.replacen(from, to, 1)).unwrap();
    };
    wrong("flipped", &|run| std::fs::write(run.join("results").join(&picture), b"other").unwrap(), "its bytes are not");
    wrong("gone", &|run| std::fs::remove_file(run.join("results").join(&picture)).unwrap(), &picture.to_string_lossy());
    wrong(
        "more",
        &|run| std::fs::write(run.join("results/more.txt"), b"").unwrap(),
        "more.txt: the record knows nothing",
    );
    wrong("text", &|run| edit(run.join("recipe.toml"), "schema", " schema"), "its text is not the one that was run");
    wrong("method", &|run| edit(run.join("recipe.toml"), "stack.mean", "stack.men"), "did you mean `stack.mean`?");
    wrong("status", &|run| edit(run.join("run.json"), "\"done\"", "\"failed\""), "the run is failed");
    wrong("torn", &|run| std::fs::write(run.join("run.json"), b"{").unwrap(), "run.json cannot be read");
    wrong("field", &|run| edit(run.join("run.json"), "\"nodes\"", "\"nods\""), "`nodes` is not a list");
    wrong("out", &|run| edit(run.join("run.json"), "results/", "../results/"), "outside of the run");
    wrong("crate", &|run| std::fs::write(run.join("ro-crate-metadata.json"), b"[]").unwrap(), "describes nothing");
}

#[test]
fn a_recipe_s_own_checks_are_tried_on_simulated_clips() {
    let here = folder("check-expect");
    let clip = "clip = { use = \"simulate.planet\", frames = 12, width = 96, height = 96, screen_points = 256 }\n";
    let recipe = |bounds: &str| {
        format!(
            "schema = 1\nextends = \"quick-look\"\n[[expect]]\nnumber = \"{bounds}\nhelp = \"of twelve frames\"\n{clip}"
        )
    };
    let check = |name: &str, text: &str| {
        std::fs::write(here.join(name), text).unwrap();
        stillair(&here, &["check", name, "--run"])
    };
    let said = check("good.toml", &recipe("usable.frames-usable\"\nmin = 1\nmax = 12"));
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    assert!(said.out.contains("wanted at least 1 and at most 12: of twelve frames"), "{}", said.out);
    let said = check("bad.toml", &recipe("usable.frames-usable\"\nmin = 13"));
    assert_eq!(said.code, Some(1), "{}{}", said.out, said.err);
    assert!(said.out.contains("FAILED  usable.frames-usable"), "{}", said.out);
    let said = check("none.toml", "schema = 1\nextends = \"quick-look\"\n");
    assert_eq!(said.code, Some(2), "{}{}", said.out, said.err);
    assert!(said.err.contains("[[expect]]"), "{}", said.err);
    assert!(!here.join("runs").exists(), "the tries leave no runs");
}

#[test]
fn a_method_without_what_later_steps_need_is_refused_and_a_failing_step_names_the_one_replaced() {
    let here = folder("check-replaced");
    let said = stillair(&here, &["check", "planet-colour", "--set", "grades.use=find.disc"]);
    assert_eq!(said.code, Some(2), "{}", said.out);
    let wanted = "with find.disc as `grades`, the table of `first` lacks a column of grades";
    assert!(said.err.contains(wanted) && said.err.contains("leave grade.gradient there"), "{}", said.err);
    // What a column cannot tell is only found in the run.
    write_clip(&here.join("a.ser"), 30);
    let arguments = ["run", "planet-colour", "a.ser", "--set", "colour_shift.use=align.centroid"];
    let said = stillair(&here, &arguments);
    assert_eq!(said.code, Some(2), "{}{}", said.out, said.err);
    let wanted = "it builds on `colour_shift`, which uses align.centroid in place of align.dispersion";
    assert!(said.err.contains(wanted), "{}", said.err);
}
