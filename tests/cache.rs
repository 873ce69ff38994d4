//! Results that are taken from earlier runs: what is reused, what is not, and that a picture never differs for it. Keys
//! and folders are the project's own, so no outside reference applies: a run with a cache is held to one without.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::support::{Said, folder, stillair, write_clip};

/// Runs and gives the run folder.
fn run(here: &Path, arguments: &[&str]) -> (PathBuf, Said) {
    let mut all = vec!["planet-mono", "a.ser", "--jobs", "2"];
    all.extend(arguments);
    run_recipe(here, &all)
}

fn run_recipe(here: &Path, arguments: &[&str]) -> (PathBuf, Said) {
    let mut all = vec!["run", "--json"];
    all.extend(arguments);
    let said = stillair(here, &all);
    assert_eq!(said.code, Some(0), "{}{}", said.out, said.err);
    let last: serde_json::Value = serde_json::from_str(said.out.lines().last().unwrap()).unwrap();
    (here.join(last["folder"].as_str().unwrap()), said)
}

fn cached(here: &Path, arguments: &[&str]) -> PathBuf {
    let mut all = vec!["--cache", "cache"];
    all.extend(arguments);
    run(here, &all).0
}

fn record(run: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// Names and bytes of all results and tables.
fn bytes(run: &Path) -> BTreeMap<String, Vec<u8>> {
    let files = ["results", "tables"].iter().flat_map(|part| std::fs::read_dir(run.join(part)).unwrap());
    let one = |path: PathBuf| (path.file_name().unwrap().to_string_lossy().into_owned(), std::fs::read(&path).unwrap());
    files.map(|entry| one(entry.unwrap().path())).collect()
}

/// What every step told, without how long it took.
fn told(run: &Path) -> Vec<(String, String)> {
    let record = record(run);
    let nodes = record["nodes"].as_array().unwrap().iter();
    nodes.map(|n| (n["step"].as_str().unwrap().to_string(), n["entries"].to_string())).collect()
}

fn same(a: &Path, b: &Path) {
    assert!(bytes(a) == bytes(b), "{} and {} differ", a.display(), b.display());
    for (one, other) in told(a).iter().zip(told(b)) {
        assert!(*one == other, "{} told otherwise: {:.600} and {:.600}", one.0, one.1, other.1);
    }
    assert_eq!(record(a)["warnings"], record(b)["warnings"]);
    assert_eq!(record(a)["frames"]["used"], record(b)["frames"]["used"]);
}

fn decoded(run: &Path) -> u64 {
    record(run)["frames"]["decoded"].as_u64().unwrap()
}

fn keys(run: &Path) -> BTreeMap<String, String> {
    let record = record(run);
    let nodes = record["nodes"].as_array().unwrap().iter();
    nodes.map(|n| (n["step"].as_str().unwrap().into(), n["key"].as_str().unwrap().into())).collect()
}

fn why(run: &Path, step: &str) -> String {
    let record = record(run);
    let node = record["nodes"].as_array().unwrap().iter().find(|n| n["step"] == step).unwrap();
    node["why"].as_str().unwrap().to_string()
}

/// Files of the cache that hold results.
fn entries(cache: &Path) -> Vec<PathBuf> {
    let shelves = std::fs::read_dir(cache.join("results")).unwrap();
    shelves.flat_map(|s| std::fs::read_dir(s.unwrap().path()).unwrap()).map(|e| e.unwrap().path()).collect()
}

#[test]
fn a_second_run_reads_no_frame_and_writes_the_same_bytes() {
    let here = folder("cache-second");
    write_clip(&here.join("a.ser"), 60);
    let (cold, _) = run(&here, &[]);
    let first = cached(&here, &[]);
    let second = cached(&here, &["--memory-budget", "300 MB"]);
    assert!(decoded(&cold) > 60 && decoded(&first) == decoded(&cold));
    assert_eq!(decoded(&second), 0);
    same(&cold, &first);
    same(&cold, &second);
    assert_eq!(why(&second, "stacked"), "reused");
    assert!(why(&second, "picture").contains("files"), "{}", why(&second, "picture"));
    // Only the sharpening changed.
    let softer = cached(&here, &["--set", "sharp.use=sharpen.unsharp"]);
    assert_eq!(decoded(&softer), 0);
    assert_eq!(why(&softer, "stacked"), "reused");
    let (plain, _) = run(&here, &["--set", "sharp.use=sharpen.unsharp"]);
    same(&plain, &softer);
    // Another way of weighting: what comes before it is reused, what comes after is not.
    let other = cached(&here, &["--set", "weights.power=3"]);
    assert_eq!(why(&other, "shifts"), "reused");
    assert!(why(&other, "weights").contains("parameter `power` is 3"), "{}", why(&other, "weights"));
    assert!(why(&other, "stacked").contains("input `table` is another, from `weights`"), "{}", why(&other, "stacked"));
    let (plain, _) = run(&here, &["--set", "weights.power=3"]);
    same(&plain, &other);
    assert!(decoded(&other) < decoded(&plain));
}

/// Calibrated, of several clips, of a surface: the same bits and words without a cache, into an empty one and from a full
/// one, on any number of threads.
#[test]
fn no_recipe_tells_a_full_cache_from_an_empty_one_or_none() {
    let here = folder("cache-recipes");
    write_clip(&here.join("a.ser"), 30);
    write_clip(&here.join("b.ser"), 24);
    write_clip(&here.join("dark.ser"), 4);
    let maker = "schema = 1\nname = \"surface\"\n[step.seen]\nuse = \"simulate.terrain\"\npreset = \"terrain-small\"\n\
                 frames = 16\n[step.clip]\nuse = \"write.ser\"\nframes = \"@seen\"\nname = \"t\"\n";
    std::fs::write(here.join("surface.toml"), maker).unwrap();
    let made = run_recipe(&here, &["surface.toml"]).0;
    std::fs::copy(made.join("results/t.ser"), here.join("t.ser")).unwrap();
    for (number, clips) in
        [&["planet-colour", "a.ser", "dark=dark.ser"][..], &["planet-colour", "a.ser", "b.ser"], &["terrain", "t.ser"]]
            .into_iter()
            .enumerate()
    {
        let with = |more: &[&str]| run_recipe(&here, &[clips, more].concat()).0;
        let cache = format!("cache{number}");
        let plain = with(&["--jobs", "2"]);
        let others = [
            with(&["--jobs", "1"]),
            with(&["--jobs", "3", "--cache", &cache]),
            with(&["--jobs", "2", "--cache", &cache]),
        ];
        assert_eq!(decoded(&others[2]), 0, "{clips:?}");
        others.iter().for_each(|other| same(&plain, other));
    }
}

#[test]
fn every_step_says_why_it_ran() {
    let here = folder("cache-why");
    write_clip(&here.join("a.ser"), 40);
    cached(&here, &[]);
    let said = stillair(
        &here,
        &["run", "planet-mono", "a.ser", "--cache", "cache", "--explain-cache", "--set", "first.power=1"],
    );
    assert_eq!(said.code, Some(0), "{}", said.err);
    let line = |step: &str| said.out.lines().find(|l| l.split_whitespace().next() == Some(step)).unwrap().to_string();
    assert!(line("found").ends_with("reused"), "{}", said.out);
    assert!(line("first").contains("ran: parameter `power` is 1.0, was 2.0"), "{}", said.out);
    assert!(line("shifts").contains("ran: input `table` is another, from `first`"), "{}", said.out);
}

/// The key of a step changes with what it reads, directly or through the steps before it, and with nothing else.
#[test]
fn keys_hang_on_what_is_read_and_on_nothing_else() {
    let here = folder("cache-keys");
    write_clip(&here.join("a.ser"), 40);
    let base = keys(&cached(&here, &[]));
    // Another name, another place, another number of threads, another budget, a fact that no step reads.
    std::fs::create_dir(here.join("else")).unwrap();
    std::fs::copy(here.join("a.ser"), here.join("else/b.ser")).unwrap();
    let said = stillair(
        &here,
        &[
            "run",
            "planet-mono",
            "else/b.ser",
            "--json",
            "--jobs",
            "1",
            "--memory-budget",
            "300 MB",
            "--cache",
            "cache",
            "--fact",
            "camera.gain_e_per_adu=2.5",
        ],
    );
    assert_eq!(said.code, Some(0), "{}", said.err);
    let last: serde_json::Value = serde_json::from_str(said.out.lines().last().unwrap()).unwrap();
    let moved = here.join(last["folder"].as_str().unwrap());
    assert_eq!(keys(&moved), base);
    assert_eq!(decoded(&moved), 0);
    // A fact changes the steps that read it, and those after them.
    let aperture = keys(&cached(&here, &["--fact", "telescope.aperture_mm=105"]));
    assert_eq!(aperture["found"], base["found"]);
    assert_ne!(aperture["sharp"], base["sharp"]);
    // One bit of the capture changes all.
    let mut clip = std::fs::read(here.join("a.ser")).unwrap();
    *clip.last_mut().unwrap() ^= 1;
    std::fs::write(here.join("a.ser"), clip).unwrap();
    let flipped = cached(&here, &[]);
    for (step, key) in keys(&flipped) {
        assert_ne!(key, base[&step], "{step}");
    }
    let (cold, _) = run(&here, &[]);
    same(&cold, &flipped);
}

#[test]
fn damage_of_any_entry_costs_time_and_nothing_else() {
    let here = folder("cache-damage");
    write_clip(&here.join("a.ser"), 40);
    let first = cached(&here, &[]);
    let all = entries(&here.join("cache"));
    assert!(all.len() > 10);
    for (number, entry) in all.iter().enumerate() {
        let mut bytes = std::fs::read(entry).unwrap();
        let at = bytes.len() * (number % 7 + 1) / 8;
        bytes[at] ^= 4;
        std::fs::write(entry, bytes).unwrap();
    }
    let (second, said) = run(&here, &["--cache", "cache"]);
    same(&first, &second);
    assert!(decoded(&second) > 0);
    assert!(said.out.contains("damaged"), "{}", said.out);
    let third = cached(&here, &[]);
    assert_eq!(decoded(&third), 0);
    same(&first, &third);
}

#[test]
fn a_cache_that_cannot_be_written_or_made_is_told_and_no_run_fails_for_it() {
    let here = folder("cache-unwritable");
    write_clip(&here.join("a.ser"), 40);
    let (cold, _) = run(&here, &[]);
    std::fs::write(here.join("file"), "no folder").unwrap();
    let (run_on_file, said) = run(&here, &["--cache", "file"]);
    same(&cold, &run_on_file);
    assert!(said.out.contains("results are not kept"), "{}", said.out);
    // One that was filled, and can only be read from now on: it is read.
    cached(&here, &[]);
    let seal = |mode: &str| {
        let status = std::process::Command::new("chmod").args(["-R", mode, "cache"]).current_dir(&here).status();
        assert!(status.unwrap().success());
    };
    #[cfg(unix)]
    seal("a-w");
    let other = cached(&here, &["--set", "weights.power=3"]);
    #[cfg(unix)]
    seal("u+w");
    assert_eq!(why(&other, "shifts"), "reused");
    let (plain, _) = run(&here, &["--set", "weights.power=3"]);
    same(&plain, &other);
}

#[test]
fn runs_at_the_same_time_share_a_cache() {
    let here = folder("cache-shared");
    write_clip(&here.join("a.ser"), 60);
    let (cold, _) = run(&here, &[]);
    let runs: Vec<PathBuf> = std::thread::scope(|scope| {
        let start = |out: &'static str| {
            let here = &here;
            scope.spawn(move || cached(here, &["--out", out]))
        };
        let going: Vec<_> = ["runs-1", "runs-2", "runs-3"].into_iter().map(start).collect();
        going.into_iter().map(|run| run.join().unwrap()).collect()
    });
    runs.iter().for_each(|run| same(&cold, run));
    let after = cached(&here, &[]);
    assert_eq!(decoded(&after), 0);
    same(&cold, &after);
}

/// Kills runs at many moments while they fill the cache; whatever is left of it, the next run is right.
#[cfg(unix)]
#[test]
fn a_run_that_is_killed_leaves_no_wrong_result() {
    use std::process::{Command, Stdio};
    let here = folder("cache-killed");
    write_clip(&here.join("a.ser"), 400);
    let (cold, _) = run(&here, &[]);
    let mut cut_short = 0;
    for attempt in 0..12u64 {
        let mut child = Command::new(env!("CARGO_BIN_EXE_stillair"))
            .args(["run", "planet-mono", "a.ser", "--cache", "cache", "--jobs", "2"])
            .current_dir(&here)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // As soon as so many results are kept: the next one is being written, or worked out.
        let begun = std::time::Instant::now();
        let kept = || if here.join("cache/results").is_dir() { entries(&here.join("cache")).len() as u64 } else { 0 };
        let goal = kept() + 1 + attempt % 3;
        while kept() < goal && child.try_wait().unwrap().is_none() && begun.elapsed().as_secs() < 60 {
            std::thread::sleep(std::time::Duration::from_micros(200));
        }
        let _ = child.kill();
        cut_short += u32::from(child.wait().unwrap().code().is_none());
    }
    assert!(cut_short >= 3, "the runs were over before they could be killed");
    let after = cached(&here, &[]);
    same(&cold, &after);
    let left = std::fs::read_dir(here.join("cache/making")).unwrap().count();
    assert_eq!(left, 0, "what killed runs left in the making is cleared away");
}

#[test]
fn the_cache_is_shown_capped_and_cleared() {
    let here = folder("cache-verb");
    write_clip(&here.join("a.ser"), 40);
    cached(&here, &[]);
    let status = |more: &[&str]| -> serde_json::Value {
        let mut all = vec!["cache", "--json", "--cache", "cache"];
        all.extend(more);
        let said = stillair(&here, &all);
        assert_eq!(said.code, Some(0), "{}", said.err);
        serde_json::from_str(said.out.trim()).unwrap()
    };
    let full = status(&[]);
    assert_eq!(full["entries"].as_u64().unwrap() as usize, entries(&here.join("cache")).len());
    assert_eq!(full["cap_bytes"], 4_000_000_000_u64);
    let capped = status(&["--cap", "1 MB"]);
    assert_eq!(capped["cap_bytes"], 1_000_000);
    assert!(capped["bytes"].as_u64().unwrap() <= 1_000_000);
    assert_eq!(status(&["--clear"])["entries"], 0);
    // A cache too small for the run still does no harm.
    let small = cached(&here, &[]);
    let (cold, _) = run(&here, &[]);
    same(&cold, &small);
    assert!(status(&[])["bytes"].as_u64().unwrap() <= 1_000_000);
}

/// A disk that is full, and one that can only be read, on mounts of this test's own, which vanish with it. Where nobody
/// may mount, there is nothing to try.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_and_a_sealed_one_cost_time_and_nothing_else() {
    let here = folder("cache-mounts");
    write_clip(&here.join("a.ser"), 40);
    std::fs::create_dir(here.join("small")).unwrap();
    let (cold, _) = run(&here, &[]);
    let (other, _) = run(&here, &["--set", "weights.power=3"]);
    cached(&here, &[]);
    let script = "mount -t tmpfs -o size=200k tmpfs small || exit 9\n\
                  mount --bind cache cache && mount -o remount,bind,ro cache || exit 9\n\
                  \"$STILLAIR\" run planet-mono a.ser --json --cache small/cache\n\
                  \"$STILLAIR\" run planet-mono a.ser --json --cache cache --set weights.power=3\n";
    let shell = |way: &[&str]| {
        let mut command = std::process::Command::new(way[0]);
        command.args(&way[1..]).args(["sh", "-c", script]).current_dir(&here);
        command.env("STILLAIR", env!("CARGO_BIN_EXE_stillair")).output().ok()
    };
    let ways: [&[&str]; 2] = [&["unshare", "-m"], &["unshare", "-rm"]];
    let done = ways.into_iter().filter_map(shell).find(|done| done.status.code() == Some(0));
    let Some(done) = done else { return };
    let lines: Vec<serde_json::Value> =
        String::from_utf8(done.stdout).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let folders: Vec<PathBuf> = lines.iter().filter_map(|l| l["folder"].as_str()).map(|f| here.join(f)).collect();
    assert_eq!(folders.len(), 2, "{lines:?}");
    same(&cold, &folders[0]);
    same(&other, &folders[1]);
    assert!(record(&folders[0])["cache"]["trouble"].as_str().is_some_and(|t| t.contains("No space")));
    assert!(record(&folders[1])["cache"]["trouble"].as_str().is_some_and(|t| t.contains("Read-only")));
    assert_eq!(why(&folders[1], "shifts"), "reused");
}
