//! What must hold of any run: the same bits on any number of threads and under any budget, a wish to stop that is
//! heeded at once, memory that does not grow with the clip. All of it is defined by the project alone, so no outside
//! reference applies.

mod clips;
mod support;

use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use clips::{Capture, grey, mosaic};
use support::{folder, stillair, workspace};

fn only_run(out: &Path) -> PathBuf {
    // A run that was ended at once leaves the note of its progress beside its folder.
    let found: Vec<PathBuf> =
        std::fs::read_dir(out).unwrap().map(|e| e.unwrap().path()).filter(|path| path.is_dir()).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    found[0].clone()
}

fn record(run: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// Names and bytes of the files in `results/` and `tables/`, sorted.
fn files(run: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    for part in ["results", "tables"] {
        for entry in std::fs::read_dir(run.join(part)).unwrap() {
            let path = entry.unwrap().path();
            found.push((
                format!("{part}/{}", path.file_name().unwrap().to_str().unwrap()),
                std::fs::read(path).unwrap(),
            ));
        }
    }
    found.sort();
    found
}

/// Runs a recipe on the colour clip with several numbers of threads and budgets and holds the files against the first.
fn same_bits(recipe: &str) {
    same_bits_in(&folder(&format!("bits-{recipe}")), recipe);
}

fn same_bits_in(here: &Path, recipe: &str) {
    mosaic().write(&here.join("a.ser"));
    let session = "[telescope]\naperture_mm = 105\nfocal_mm = 1355\n[camera]\npixel_um = 3.76\n";
    std::fs::write(here.join("session.toml"), session).unwrap();
    let mut first: Option<Vec<(String, Vec<u8>)>> = None;
    let mut batches = std::collections::BTreeSet::new();
    for (jobs, budget) in [("1", "256MB"), ("2", "256MB"), ("4", "60MB"), ("8", "256MB"), ("2", "40MB"), ("3", "1GB")] {
        let out = format!("{jobs}-{budget}");
        let said =
            stillair(here, &["run", recipe, "a.ser", "--jobs", jobs, "--memory-budget", budget, "--out", out.as_str()]);
        assert_eq!(said.code, Some(0), "{jobs} threads, {budget}: {}", said.err);
        let run = only_run(&here.join(&out));
        batches.insert(record(&run)["passes"][0]["batch"].as_u64().unwrap());
        let found = files(&run);
        let names: Vec<&str> = found.iter().map(|(name, _)| name.as_str()).collect();
        assert!(names.contains(&"results/picture.tif") && names.contains(&"tables/frames.csv"), "{names:?}");
        match &first {
            None => first = Some(found),
            Some(first) => {
                assert_eq!(names, first.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>());
                for ((name, ours), (_, theirs)) in found.iter().zip(first) {
                    assert!(ours == theirs, "{name} differs with {jobs} threads and {budget}");
                }
            }
        }
    }
    assert!(batches.len() > 1, "the runs must differ in how many frames are in flight: {batches:?}");
}

#[test]
fn planet_colour_gives_the_same_bits_on_any_threads_and_under_any_budget() {
    same_bits("planet-colour");
}

#[test]
fn quick_look_gives_the_same_bits_on_any_threads_and_under_any_budget() {
    same_bits("quick-look");
}

#[test]
fn local_shifts_give_the_same_bits_on_any_threads_and_under_any_budget() {
    same_bits("planet-patches");
}

// Frames chosen by quality bins, added by their own blur, deconvolved: what no shipped recipe does.
#[test]
fn methods_for_choice_give_the_same_bits_on_any_threads_and_under_any_budget() {
    let here = folder("bits-choice");
    let auto = std::fs::read_to_string(workspace().join("examples/planet-auto.toml")).unwrap();
    let other = "\n[step.stacked]\nuse = \"stack.deblur\"\nframes = \"@colours\"\ngate = 0\n\n\
                 [step.sharp]\nuse = \"sharpen.richardson-lucy\"\n";
    std::fs::write(here.join("choice.toml"), auto + other).unwrap();
    same_bits_in(&here, "choice.toml");
}

/// Writes a clip of 1.2 GB on hardly any disk: 2000 frames of 640 x 480 samples of 8 bits at the high end of 16, black but for a planet in
/// every 50th frame, which wanders a little.
fn write_sparse(path: &Path) -> u64 {
    const WIDTH: usize = 640;
    const HEIGHT: usize = 480;
    const COUNT: usize = 2000;
    let bank = mosaic();
    let side = clips::SIDE;
    let head = Capture { width: WIDTH as i32, height: HEIGHT as i32, stated_frames: Some(COUNT as i32), ..mosaic() };
    let head = Capture { bits: 16, frames: Vec::new(), ticks: Vec::new(), ..head };
    let mut file = std::fs::File::create(path).unwrap();
    file.write_all(&head.bytes()).unwrap();
    let frame_bytes = (WIDTH * HEIGHT * 2) as u64;
    for (number, frame) in (0..COUNT).step_by(50).zip(bank.frames.iter().cycle()) {
        for (y, row) in frame.chunks_exact(side).enumerate() {
            let at = (200 + y + 2 * (number / 200)) * WIDTH + 280 + 2 * (number / 300);
            file.seek(SeekFrom::Start(178 + number as u64 * frame_bytes + 2 * at as u64)).unwrap();
            let bytes: Vec<u8> = row.iter().flat_map(|v| (v << 8).to_le_bytes()).collect();
            file.write_all(&bytes).unwrap();
        }
    }
    let size = 178 + COUNT as u64 * frame_bytes;
    file.set_len(size).unwrap();
    size
}

#[test]
fn memory_does_not_grow_with_the_clip() {
    let here = folder("memory");
    let bytes = write_sparse(&here.join("a.ser"));
    assert!(bytes > 1_200_000_000);
    let said = stillair(&here, &["run", "planet-colour", "a.ser", "--jobs", "2", "--memory-budget", "300MB"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let record = record(&only_run(&here.join("runs")));
    assert_eq!((&record["inputs"][0]["bytes"], &record["inputs"][0]["clip"]["bits"]), (&bytes.into(), &8.into()));
    assert_eq!(record["frames"]["used"], 40, "{}", said.out);
    if cfg!(target_os = "linux") {
        let peak = record["memory"]["peak_bytes"].as_u64().unwrap();
        assert!(peak < 300_000_000, "{peak} bytes at most");
        let bound = record["memory"]["bound"]["total_bytes"].as_u64().unwrap();
        assert!(peak < bound, "the bound {bound} holds: {peak}");
    }
}

#[test]
fn a_budget_that_is_too_small_is_refused_before_work() {
    let here = folder("small-budget");
    grey().write(&here.join("a.ser"));
    let said = stillair(&here, &["run", "planet-mono", "a.ser", "--memory-budget", "10MB"]);
    assert_eq!(said.code, Some(1));
    assert!(
        said.err.contains("of memory, the budget is 10 MB") && said.err.contains("--memory-budget"),
        "{}",
        said.err
    );
    assert!(!here.join("runs").exists());
}

#[cfg(unix)]
mod signals {
    use std::io::{BufRead, BufReader};
    use std::process::{Child, Command, ExitStatus, Stdio};
    use std::time::{Duration, Instant};

    use super::*;

    /// A loaded machine gets this many tries to be in time.
    const TRIES: usize = 3;

    /// A clip long enough that a run of it is not over before the signal comes.
    fn long_clip(here: &Path) {
        let mut clip = mosaic();
        clip.frames = clip.frames.iter().cycle().take(8000).cloned().collect();
        clip.ticks = (0..8000).map(|i| clips::START_TICKS + i * clips::STEP_TICKS).collect();
        // Frames that repeat the one before are rejected; these repeat an earlier one.
        clip.write(&here.join("a.ser"));
    }

    fn send(child: &Child, signal: &str) {
        let done = Command::new("kill").args([&format!("-{signal}"), &child.id().to_string()]).status().unwrap();
        assert!(done.success());
    }

    /// Starts a run and waits until `pass` begins; sends the signals; gives how it ended and how long that took.
    fn stopped(here: &Path, recipe: &str, pass: u64, signals: &[&str]) -> (ExitStatus, Duration) {
        let mut child = Command::new(env!("CARGO_BIN_EXE_stillair"))
            .args(["run", recipe, "a.ser", "--jobs", "2", "--json", "--no-cache"])
            .current_dir(here)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let begins = |line: &str| {
            let event: serde_json::Value = serde_json::from_str(line).unwrap();
            event["event"] == "pass" && event["pass"] == pass
        };
        assert!(lines.by_ref().map_while(Result::ok).any(|line| begins(&line)), "pass {pass} never began");
        // The rest is read, so that the command never waits for a reader.
        let reader = std::thread::spawn(move || lines.map_while(Result::ok).count());
        let asked = Instant::now();
        signals.iter().for_each(|signal| send(&child, signal));
        let status = child.wait().unwrap();
        let took = asked.elapsed();
        reader.join().unwrap();
        (status, took)
    }

    #[test]
    fn a_signal_stops_any_pass_within_a_second() {
        for (recipe, pass, signal, code) in [
            ("planet-colour", 1, "INT", 130),
            ("planet-colour", 3, "INT", 130),
            ("planet-colour", 4, "TERM", 143),
            ("quick-look", 1, "TERM", 143),
            ("quick-look", 2, "INT", 130),
        ] {
            let mut times = Vec::new();
            for attempt in 1..=TRIES {
                let here = folder(&format!("stop-{recipe}-{pass}-{attempt}"));
                long_clip(&here);
                let (status, took) = stopped(&here, recipe, pass, &[signal]);
                assert_eq!(status.code(), Some(code), "{recipe}, pass {pass}, SIG{signal}");
                let run = only_run(&here.join("runs"));
                assert!(run.to_str().unwrap().ends_with("-cancelled"), "{run:?}");
                assert!(!run.join("results").exists(), "no half result");
                let record = record(&run);
                assert_eq!(record["status"], "cancelled");
                assert_eq!(record["error"]["kind"], "cancelled");
                assert_eq!(record["results"], serde_json::json!([]));
                std::fs::remove_dir_all(&here).unwrap();
                times.push(took);
                if took < Duration::from_secs(1) {
                    break;
                }
            }
            assert!(times.last() < Some(&Duration::from_secs(1)), "{recipe}, pass {pass}, SIG{signal}: {times:?}");
        }
    }

    /// Before anything else a clip is hashed, which takes long if it is large.
    #[test]
    fn a_signal_stops_the_reading_of_a_large_clip() {
        let here = folder("stop-hash");
        let mut clip = Capture { width: 640, height: 480, frames: Vec::new(), ticks: Vec::new(), ..mosaic() };
        clip.stated_frames = Some(100_000);
        clip.write(&here.join("a.ser"));
        // Larger than any machine reads within the time below; nearly nothing on the disk.
        let file = std::fs::File::options().write(true).open(here.join("a.ser")).unwrap();
        file.set_len(178 + 100_000 * 640 * 480).unwrap();
        let mut times = Vec::new();
        for _ in 0..TRIES {
            let mut child = Command::new(env!("CARGO_BIN_EXE_stillair"))
                .args(["run", "quick-look", "a.ser", "--no-cache"])
                .current_dir(&here)
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            std::thread::sleep(Duration::from_millis(500));
            let asked = Instant::now();
            send(&child, "INT");
            assert_eq!(child.wait().unwrap().code(), Some(130));
            times.push(asked.elapsed());
            assert!(!here.join("runs").exists(), "nothing was begun");
            if times.last() < Some(&Duration::from_secs(1)) {
                break;
            }
        }
        std::fs::remove_file(here.join("a.ser")).unwrap();
        assert!(times.last() < Some(&Duration::from_secs(1)), "{times:?}");
    }

    #[test]
    fn a_second_signal_ends_the_command_at_once() {
        let mut times = Vec::new();
        for attempt in 1..=TRIES {
            let here = folder(&format!("stop-twice-{attempt}"));
            long_clip(&here);
            let (status, took) = stopped(&here, "planet-colour", 2, &["INT", "INT"]);
            assert_eq!(status.code(), Some(130));
            // Whether the first was heeded in time or not: no results under a name that says done.
            let run = only_run(&here.join("runs"));
            let name = run.file_name().unwrap().to_str().unwrap().to_string();
            assert!(name.ends_with("-cancelled") || name.starts_with(".making-"), "{name}");
            // The next run tidies up.
            grey().write(&here.join("b.ser"));
            let said = stillair(&here, &["run", "quick-look", "b.ser"]);
            assert_eq!(said.code, Some(0), "{}", said.err);
            let names: Vec<String> = std::fs::read_dir(here.join("runs"))
                .unwrap()
                .map(|e| e.unwrap().file_name().to_str().unwrap().to_string())
                .collect();
            assert!(names.len() == 2 && names.iter().all(|n| !n.starts_with('.')), "{names:?}");
            std::fs::remove_dir_all(&here).unwrap();
            times.push(took);
            if took < Duration::from_millis(300) {
                break;
            }
        }
        assert!(times.last() < Some(&Duration::from_millis(300)), "{times:?}");
    }
}
