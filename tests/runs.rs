//! Whole runs of the command on a small clip made here: what is left in the run folder, what is said, how it stops.
//! Files, words and exit codes are defined by the project alone, so no outside reference applies.

use std::path::{Path, PathBuf};

use crate::support::{folder, stillair, write_clip};

fn only_run(here: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

#[test]
fn a_run_leaves_pictures_record_and_page() {
    let here = folder("whole-run");
    write_clip(&here.join("a.ser"), 60);
    std::fs::write(here.join("a.session.toml"), "[telescope]\naperture_mm = 105\n").unwrap();
    let said = stillair(&here, &["run", "planet-mono", "a.ser", "--fact", "telescope.focal_mm=1350"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = only_run(&here);
    for file in
        ["results/picture.png", "results/picture.tif", "results/stack.tif", "report.html", "run.json", "recipe.toml"]
    {
        assert!(run.join(file).is_file(), "{file}");
    }
    let lines: Vec<&str> = said.out.lines().collect();
    assert!(lines[0].starts_with("picture  runs/") && lines[0].ends_with("/results/picture.png"), "{}", said.out);
    assert!(lines[1].starts_with("report   runs/") && lines[1].ends_with("/report.html"), "{}", said.out);
    assert!(lines[2].contains(" of 60 frames used in "), "{}", said.out);
    assert!(said.err.contains("pass 1 of "), "{}", said.err);
    let record: serde_json::Value = serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap();
    let facts = record["inputs"][0]["facts"].clone();
    assert_eq!(facts["telescope.aperture_mm"]["origin"], "session", "{facts}");
    assert_eq!(facts["telescope.focal_mm"]["origin"], "command-line", "{facts}");
    // `tests/crate/check.py` holds the crate to its profile; here, that it names no place and hides nothing of the run.
    let text = std::fs::read_to_string(run.join("ro-crate-metadata.json")).unwrap();
    assert!(!text.contains("a.ser") && !text.contains(here.to_str().unwrap()), "{text}");
    let parsed: serde_json::Value = serde_json::from_str(&text).unwrap();
    let graph = parsed["@graph"].as_array().unwrap();
    let known = record["inputs"][0]["blake3"].as_str().unwrap();
    assert!(graph.iter().any(|e| e["identifier"] == format!("blake3:{known}")), "{text}");
    let steps = graph.iter().filter(|e| e["@type"] == "HowToStep").count();
    assert_eq!(steps, record["nodes"].as_array().unwrap().len());
    // The resolved recipe stands on its own and says the same.
    let again = stillair(&here, &["check", run.join("recipe.toml").to_str().unwrap()]);
    assert_eq!(again.code, Some(0), "{}", again.err);

    let listed = stillair(&here, &["runs"]);
    assert!(listed.out.contains("planet-mono") && listed.out.contains("done"), "{}", listed.out);
    std::fs::remove_file(run.join("report.html")).unwrap();
    let page = stillair(&here, &["report", run.file_name().unwrap().to_str().unwrap()]);
    assert_eq!(page.code, Some(0), "{}", page.err);
    assert!(run.join("report.html").is_file());
}

#[test]
fn a_dark_of_the_session_is_used_and_a_missing_one_is_told() {
    let here = folder("dark");
    write_clip(&here.join("a.ser"), 40);
    write_clip(&here.join("dark.ser"), 3);
    std::fs::write(here.join("session.toml"), "[calibration]\ndark = \"dark.ser\"\n").unwrap();
    let said = stillair(&here, &["run", "planet-mono", "a.ser", "--json"]);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    let lines: Vec<serde_json::Value> = said.out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert!(lines.iter().any(|l| l["steps"].as_str().is_some_and(|s| s.contains("master_dark"))), "{}", said.out);
    assert_eq!(lines.last().unwrap()["event"], "finished");
    std::fs::write(here.join("session.toml"), "[calibration]\ndark = \"drak.ser\"\n").unwrap();
    let said = stillair(&here, &["run", "planet-mono", "a.ser"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("there is no file `drak.ser`"), "{}", said.err);
}

#[test]
fn the_same_clip_gives_the_same_bits_on_any_number_of_threads() {
    let here = folder("threads");
    write_clip(&here.join("a.ser"), 50);
    let mut results: Vec<Vec<Vec<u8>>> = Vec::new();
    for jobs in ["1", "2", "4", "8"] {
        let said = stillair(&here, &["run", "planet-mono", "a.ser", "--jobs", jobs, "--out", jobs]);
        assert_eq!(said.code, Some(0), "{}", said.err);
        let run = std::fs::read_dir(here.join(jobs)).unwrap().next().unwrap().unwrap().path();
        let read = |name: &str| std::fs::read(run.join("results").join(name)).unwrap();
        results.push(["picture.png", "picture.tif", "stack.tif"].iter().map(|name| read(name)).collect());
    }
    for other in &results[1..] {
        assert!(*other == results[0], "the results differ between numbers of threads");
    }
}

#[cfg(unix)]
#[test]
fn a_signal_stops_a_run_and_leaves_no_half_result() {
    use std::process::{Command, Stdio};
    use std::time::{Duration, Instant};

    for (signal, code) in [("INT", 130), ("TERM", 143)] {
        let here = folder(&format!("stopped-{signal}"));
        write_clip(&here.join("a.ser"), 6000);
        let mut child = Command::new(env!("CARGO_BIN_EXE_stillair"))
            .args(["run", "planet-mono", "a.ser", "--jobs", "1", "--no-cache"])
            .current_dir(&here)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // The run folder is under way once something stands in `runs`.
        let begun = Instant::now();
        while std::fs::read_dir(here.join("runs")).map_or(0, Iterator::count) == 0 {
            assert!(begun.elapsed() < Duration::from_secs(30), "the run never began");
            std::thread::sleep(Duration::from_millis(5));
        }
        let asked = Instant::now();
        assert!(
            Command::new("kill").args([&format!("-{signal}"), &child.id().to_string()]).status().unwrap().success()
        );
        let status = child.wait().unwrap();
        assert_eq!(status.code(), Some(code), "SIG{signal}");
        assert!(asked.elapsed() < Duration::from_secs(3), "took {:?}", asked.elapsed());
        let run = only_run(&here);
        assert!(run.to_str().unwrap().ends_with("-cancelled"), "{run:?}");
        assert!(!run.join("results").exists());
        let record: serde_json::Value = serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap();
        assert_eq!(record["status"], "cancelled");
        assert!(run.join("ro-crate-metadata.json").is_file());
    }
}

#[test]
fn what_is_no_clip_is_refused_by_name() {
    let here = folder("no-clip");
    std::fs::write(here.join("empty.ser"), "").unwrap();
    std::fs::write(here.join("words.ser"), "these are words, and no clip at all").unwrap();
    std::fs::create_dir(here.join("folder")).unwrap();
    for name in ["empty.ser", "words.ser", "folder", "missing.ser"] {
        let said = stillair(&here, &["run", "quick-look", name]);
        assert!(matches!(said.code, Some(1 | 2)), "{name}: {:?}", said.code);
        assert!(said.err.contains("error: ") && said.err.contains(name), "{name}: {}", said.err);
        assert!(!said.err.contains("panicked"), "{name}: {}", said.err);
    }
}
