//! Captures and places that are not as they should be: the command names the file, says what is wrong and what to do,
//! ends with the right code and leaves no half result. What it should say is defined by the project alone, so no
//! outside reference applies.

// What a machine does not allow is said, not skipped in silence.
#![allow(clippy::print_stdout)]

use std::path::{Path, PathBuf};

use crate::clips::{Capture, FRAMES, SIDE, START_TICKS, STEP_TICKS, exposed, grey, grey12, mosaic, sky, wide};
use crate::support::{Said, folder, stillair};
use serde_json::Value;

/// All entries of the folder for runs, hidden ones too.
fn left(here: &Path) -> Vec<PathBuf> {
    std::fs::read_dir(here.join("runs")).map_or_else(|_| Vec::new(), |dir| dir.map(|e| e.unwrap().path()).collect())
}

fn record(run: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// The one run of a folder.
fn only_run(here: &Path) -> PathBuf {
    let found = left(here);
    assert_eq!(found.len(), 1, "{found:?}");
    found[0].clone()
}

/// Checks the words of an error, its code, and that no half result is left.
fn failed(here: &Path, said: &Said, code: i32, words: &[&str]) {
    assert_eq!(said.code, Some(code), "{}", said.err);
    assert_eq!(said.out, "", "a failure prints no result");
    assert!(said.err.contains("error: ") && said.err.contains("\n  help: "), "{}", said.err);
    assert!(!said.err.contains("panicked"), "{}", said.err);
    for words in words {
        assert!(said.err.contains(words), "`{words}` is missing in\n{}", said.err);
    }
    for run in left(here) {
        assert!(run.to_str().unwrap().ends_with("-failed"), "{run:?}");
        assert!(!run.join("results").exists(), "{run:?}");
        let record = record(&run);
        assert_eq!(record["status"], "failed");
        let message = record["error"]["message"].as_str().unwrap();
        assert!(said.err.contains(message), "the record says the same: {message}\n{}", said.err);
        assert!(record["error"]["remedy"].is_string(), "{record}");
        assert_eq!(record["results"], Value::Array(Vec::new()));
    }
}

/// Runs a clip that is refused or fails.
fn fails(name: &str, clip: &Capture, recipe: &str, code: i32, words: &[&str]) {
    let here = folder(&format!("bad-{name}"));
    clip.write(&here.join("a.ser"));
    failed(&here, &stillair(&here, &["run", recipe, "a.ser"]), code, words);
}

/// Runs a clip that is odd, but good for a picture; gives the run folder and what was said.
fn works(name: &str, clip: &Capture, recipe: &str) -> (PathBuf, Said) {
    let here = folder(&format!("bad-{name}"));
    clip.write(&here.join("a.ser"));
    let said = stillair(&here, &["run", recipe, "a.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = only_run(&here);
    for file in ["results/picture.png", "results/picture.tif", "results/stack.tif", "report.html"] {
        assert!(run.join(file).is_file(), "{file}");
    }
    (run, said)
}

/// Asserts that every one of `words` was said, as a note or a warning.
fn says(said: &Said, kind: &str, words: &[&str]) {
    let line = said.err.lines().find(|l| l.starts_with(kind) && words.iter().all(|w| l.contains(w)));
    assert!(line.is_some(), "no {kind} {words:?} in\n{}", said.err);
}

/// The column `reason` of the table of frames.
fn reasons(run: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(run.join("tables/frames.csv")).unwrap();
    let mut lines = text.lines().filter(|l| !l.starts_with('#'));
    let titles: Vec<&str> = lines.next().unwrap().split(',').collect();
    let place = titles.iter().position(|t| *t == "reason" || t.ends_with(".reason")).expect("a column of reasons");
    lines.map(|l| l.split(',').nth(place).unwrap().to_string()).collect()
}

fn count(reasons: &[String], word: &str) -> usize {
    reasons.iter().filter(|r| *r == word).count()
}

#[test]
fn a_missing_file() {
    let here = folder("bad-missing");
    let said = stillair(&here, &["run", "quick-look", "gone.ser"]);
    failed(&here, &said, 2, &["gone.ser: there is no such file", "check the spelling"]);
}

#[test]
fn an_empty_file() {
    let here = folder("bad-empty");
    std::fs::write(here.join("a.ser"), "").unwrap();
    let said = stillair(&here, &["run", "quick-look", "a.ser"]);
    failed(&here, &said, 1, &["a.ser: the file is empty (0 bytes)", "copy the file again"]);
    assert!(left(&here).is_empty());
}

#[test]
fn a_folder_without_pictures() {
    let here = folder("bad-folder");
    std::fs::create_dir(here.join("night")).unwrap();
    std::fs::write(here.join("night/notes.txt"), "clear sky").unwrap();
    let said = stillair(&here, &["run", "quick-look", "night"]);
    failed(&here, &said, 2, &["night: the folder holds no pictures", "name a clip"]);
}

#[test]
fn words_instead_of_a_clip() {
    // Without ffmpeg on the path the words are others: what cannot be told by its first bytes may be a video.
    let here = folder("bad-words");
    std::fs::write(here.join("a.ser"), "these are words, and no clip at all".repeat(20)).unwrap();
    let said = stillair(&here, &["run", "quick-look", "a.ser"]);
    failed(&here, &said, 2, &["a.ser: "]);
    let told = ["this is not a clip that can be read", "needs the program ffprobe, which is not installed"];
    assert!(told.iter().any(|words| said.err.contains(words)), "{}", said.err);
}

/// A landscape: bright all over.
fn picture() -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, 48, 32);
    encoder.set_color(png::ColorType::Rgb);
    let pixels: Vec<u8> = (0..48 * 32 * 3).map(|i| (140 + i / 60 + (i * 7919) % 40) as u8).collect();
    encoder.write_header().unwrap().write_image_data(&pixels).unwrap();
    bytes
}

#[test]
fn a_picture_instead_of_a_clip() {
    for name in ["a.png", "a.ser"] {
        let here = folder(&format!("bad-picture-{name}"));
        std::fs::write(here.join(name), picture()).unwrap();
        let said = stillair(&here, &["run", "quick-look", name]);
        failed(&here, &said, 1, &["in the only frame"]);
        says(&said, "note: clip: ", &["a single picture (PNG)", "a clip has many frames"]);
    }
}

#[test]
fn one_frame_gives_a_picture() {
    let mut clip = grey();
    clip.frames.truncate(1);
    clip.ticks.truncate(1);
    for recipe in ["quick-look", "planet-mono"] {
        let (run, said) = works(&format!("one-{recipe}"), &clip, recipe);
        assert!(said.out.contains("1 of 1 frames used"), "{}", said.out);
        assert_eq!(record(&run)["frames"]["used"], 1);
    }
    let mut clip = mosaic();
    clip.frames.truncate(1);
    clip.ticks.truncate(1);
    works("one-planet-colour", &clip, "planet-colour");
}

#[test]
fn two_frames_give_a_picture() {
    let mut clip = mosaic();
    clip.frames.truncate(2);
    clip.ticks.truncate(2);
    for recipe in ["quick-look", "planet-colour"] {
        works(&format!("two-{recipe}"), &clip, recipe);
    }
}

#[test]
fn no_planet_in_any_frame() {
    let words = [&format!("no planet in any of {FRAMES} frames")[..], "step `usable`", "check the capture"];
    fails("no-planet", &sky(6, 8), "quick-look", 1, &words);
    fails("no-planet-mono", &sky(6, 8), "planet-mono", 1, &words);
    fails("daylight", &sky(150, 8), "quick-look", 1, &[words[0], "bright all over", "daylight"]);
}

#[test]
fn all_frames_clouded() {
    // A planet of hardly more light than the noise of a pixel.
    let mut clip = sky(6, 8);
    for frame in &mut clip.frames {
        for (i, sample) in frame.iter_mut().enumerate() {
            let (x, y) = ((i % SIDE) as f64 - 31.0, (i / SIDE) as f64 - 33.0);
            *sample += if x.hypot(y) < 14.0 { 2 } else { 0 };
        }
    }
    fails("clouded", &clip, "quick-look", 1, &[&format!("all {FRAMES} frames are clouded"), "clearer sky"]);
    // Clouds that hide the planet altogether look like no planet; the help speaks of them.
    fails("overcast", &sky(9, 8), "quick-look", 1, &["no planet in any", "dense cloud hides it"]);
}

#[test]
fn clouded_frames_are_left_out() {
    let mut clip = grey();
    for frame in &mut clip.frames[20..35] {
        frame.iter_mut().for_each(|v| *v = *v / 4 + 8);
    }
    let (run, _) = works("cloud", &clip, "quick-look");
    let reasons = reasons(&run);
    assert!(reasons[21..34].iter().all(|r| r == "clouded"), "{reasons:?}");
    assert!(reasons[..18].iter().all(String::is_empty), "{reasons:?}");
}

#[test]
fn a_disc_larger_than_the_frame() {
    let words = [&format!("the disc is larger than the frame in all {FRAMES} frames")[..], "capture a larger region"];
    fails("large", &wide(44.0), "quick-look", 1, &words);
    // So large that no sky is left.
    fails("surface", &wide(150.0), "quick-look", 1, &words);
}

#[test]
fn a_saturated_disc() {
    let (_, said) = works("saturated", &exposed(2.5), "quick-look");
    says(&said, "warning: usable: ", &["% of the disc is at the white level", "expose less"]);
    let words = [&format!("the disc is overexposed in all {FRAMES} frames")[..], "60 to 85 % of white"];
    fails("burnt", &exposed(12.0), "quick-look", 1, &words);
}

#[test]
fn black_frames() {
    let mut clip = grey();
    for n in [0, 7, 8, 30, FRAMES - 1] {
        clip.frames[n].fill(0);
    }
    let (run, _) = works("black", &clip, "quick-look");
    let found = reasons(&run);
    assert_eq!(count(&found, "black"), 5, "{found:?}");
    clip.frames.iter_mut().for_each(|f| f.fill(0));
    fails("all-black", &clip, "quick-look", 1, &[&format!("all {FRAMES} frames are black"), "a lid on the telescope"]);
    fails("all-black-mono", &clip, "planet-mono", 1, &["frames are black"]);
}

#[test]
fn repeated_frames() {
    let mut clip = grey();
    for n in [5, 6, 20, 41] {
        clip.frames[n] = clip.frames[n - 1].clone();
    }
    let (run, _) = works("repeated", &clip, "planet-mono");
    let found = reasons(&run);
    assert_eq!(count(&found, "repeated"), 4, "{found:?}");
    assert_eq!(record(&run)["frames"]["rejected"], found.iter().filter(|r| !r.is_empty()).count());
    // One frame over and over: the first is used, and the user is told.
    let first = clip.frames[0].clone();
    clip.frames.iter_mut().for_each(|f| f.clone_from(&first));
    let (_, said) = works("frozen", &clip, "quick-look");
    says(&said, "warning: usable: ", &[&format!("{} of {FRAMES} frames are not usable", FRAMES - 1), "repeated"]);
    assert!(said.out.contains(&format!("1 of {FRAMES} frames used")), "{}", said.out);
}

#[test]
fn frame_times_that_are_absent_constant_or_backwards() {
    let cases: [(&str, Vec<i64>, &str); 5] = [
        ("absent", Vec::new(), "the clip has no frame times"),
        ("constant", vec![START_TICKS; FRAMES], "all frame times are the same"),
        ("zero", vec![0; FRAMES], "no plausible dates"),
        ("backwards", (0..FRAMES as i64).map(|i| START_TICKS - i * STEP_TICKS).collect(), "frame times run backwards"),
        ("short", (0..20).map(|i| START_TICKS + i * STEP_TICKS).collect(), "the list of frame times is cut short"),
    ];
    let read = |run: &Path| std::fs::read(run.join("results/stack.tif")).unwrap();
    for (name, ticks, words) in cases {
        let (run, said) = works(&format!("times-{name}"), &Capture { ticks, ..grey() }, "quick-look");
        says(&said, "note: clip: ", &[words]);
        let notes = record(&run)["inputs"][0]["clip"]["notes"].to_string();
        assert!(notes.contains(words), "the record says so too: {notes}");
        assert!(!read(&run).is_empty());
    }
}

#[test]
fn a_colour_mosaic_of_the_wrong_phase() {
    let right = works("phase-right", &mosaic(), "quick-look").1;
    assert!(!right.err.contains("looks wrong"), "{}", right.err);
    for (name, colours, stated) in [("grbg", 9, "GRBG"), ("gbrg", 10, "GBRG")] {
        let (_, said) = works(&format!("phase-{name}"), &Capture { colours, ..mosaic() }, "quick-look");
        says(&said, "note: clip: ", &[&format!("the colour mosaic {stated} looks wrong"), "RGGB fits", "set pattern"]);
    }
    // The remedy works.
    let here = folder("bad-phase-set");
    Capture { colours: 9, ..mosaic() }.write(&here.join("a.ser"));
    let said = stillair(&here, &["run", "quick-look", "a.ser", "--fact", "camera.pattern=RGGB"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(!said.err.contains("looks wrong"), "{}", said.err);
    // A mosaic that the header calls grey.
    let (_, said) = works("phase-grey", &Capture { colours: 0, ..mosaic() }, "quick-look");
    says(&said, "note: clip: ", &["the grey clip looks like a colour mosaic", "RGGB", "set pattern"]);
}

#[test]
fn samples_of_12_bits_at_either_end() {
    let stack = |run: &Path| floats(&run.join("results/stack.tif"));
    let (plain, said) = works("bits-right", &grey12(), "quick-look");
    assert!(!said.err.contains("aligned"), "{}", said.err);
    let expected = stack(&plain);
    let shifted: Vec<Vec<u16>> = grey12().frames.iter().map(|f| f.iter().map(|v| v << 4).collect()).collect();
    for (name, bits) in [("left", 12), ("left-16", 16)] {
        let clip = Capture::new(0, bits, shifted.clone());
        let (run, said) = works(&format!("bits-{name}"), &clip, "quick-look");
        says(&said, "note: clip: ", &["bits"]);
        let worst = stack(&run).iter().zip(&expected).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
        assert!(worst < 1e-5, "{name}: {worst}");
    }
    // One byte at the high end of two.
    let (run, said) = works("bits-8-left", &left_of_16(&grey()), "quick-look");
    says(&said, "note: clip: ", &["8-bit samples, left-aligned"]);
    let (plain, _) = works("bits-8", &grey(), "quick-look");
    let worst = stack(&run).iter().zip(&stack(&plain)).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max);
    assert!(worst < 1e-5, "{worst}");
    // At the low end under a header of 16 bits the picture is 16 times darker; the note says what to set.
    let (_, said) = works("bits-16", &Capture { bits: 16, ..grey12() }, "quick-look");
    says(&said, "note: clip: ", &["12 bits, right-aligned", "white_level = 4095"]);
    let here = folder("bad-bits-set");
    Capture { bits: 16, ..grey12() }.write(&here.join("a.ser"));
    let said = stillair(&here, &["run", "quick-look", "a.ser", "--fact", "camera.bits=12"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert_eq!(stack(&only_run(&here)), expected);
}

/// The samples of a clip of 8 bits at the high end of 16.
fn left_of_16(clip: &Capture) -> Capture {
    Capture::new(clip.colours, 16, clip.frames.iter().map(|f| f.iter().map(|v| v << 8).collect()).collect())
}

/// The samples of a TIFF of 32-bit floats.
fn floats(path: &Path) -> Vec<f32> {
    let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(path).unwrap()).unwrap();
    match decoder.read_image().unwrap() {
        tiff::decoder::DecodingResult::F32(values) => values,
        _ => panic!("{path:?} does not hold floats"),
    }
}

#[test]
fn a_clip_that_was_cut_short() {
    let here = folder("bad-cut");
    let bytes = grey().bytes();
    // 40 whole frames and half of the next.
    std::fs::write(here.join("a.ser"), &bytes[..178 + 40 * SIDE * SIDE + SIDE * SIDE / 2]).unwrap();
    let said = stillair(&here, &["run", "quick-look", "a.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    says(&said, "note: clip: ", &["the clip is cut short", "says 60 frames", "holds 40 whole ones"]);
    assert!(said.out.contains("of 40 frames used"), "{}", said.out);
    for (name, end, words) in [
        ("head", 100, "the header is cut: 100 of 178 bytes"),
        ("first", 900, "a frame of that size is larger than the file"),
    ] {
        let here = folder(&format!("bad-cut-{name}"));
        std::fs::write(here.join("a.ser"), &bytes[..end]).unwrap();
        let said = stillair(&here, &["run", "quick-look", "a.ser"]);
        failed(&here, &said, 1, &["a.ser: ", words, "copy the file again"]);
    }
}

#[test]
fn a_header_that_lies() {
    let cases: [(&str, Capture, &str); 6] = [
        ("size", Capture { width: i32::MAX, height: i32::MAX, ..grey() }, "says 2147483647x2147483647 pixels"),
        ("width", Capture { width: -6, ..grey() }, "says width -6"),
        ("height", Capture { height: 0, ..grey() }, "says height 0"),
        ("bits", Capture { bits: 33, ..grey() }, "says 33 bits per plane"),
        ("colour", Capture { colours: 42, ..grey() }, "the colour id 42 is unknown"),
        ("none", Capture { frames: Vec::new(), ticks: Vec::new(), ..grey() }, "the clip has no frames"),
    ];
    for (name, clip, words) in cases {
        fails(&format!("lie-{name}"), &clip, "quick-look", 1, &["a.ser: ", words]);
    }
    // Too many frames stated, or none, as after an interrupted capture: those that are there are used.
    for (name, stated, words) in [("many", i32::MAX, "cut short"), ("zero", 0, "interrupted"), ("less", -1, "says -1")]
    {
        let clip = Capture { stated_frames: Some(stated), ticks: Vec::new(), ..grey() };
        let (_, said) = works(&format!("lie-{name}"), &clip, "quick-look");
        says(&said, "note: clip: ", &[words, "whole ones"]);
        assert!(said.out.contains(&format!("of {FRAMES} frames used")), "{}", said.out);
    }
}

#[test]
fn samples_of_8_bits_under_a_header_of_16() {
    // Half as many frames, each of two, of words that make no picture.
    let clip = Capture { bits: 16, stated_frames: Some(FRAMES as i32 / 2), ..grey() };
    let here = folder("bad-depth");
    clip.write(&here.join("a.ser"));
    let said = stillair(&here, &["run", "quick-look", "a.ser"]);
    says(&said, "note: clip: ", &["byte", "looks like noise"]);
    assert!(matches!(said.code, Some(0 | 1)) && !said.err.contains("panicked"), "{}", said.err);
}

#[test]
fn an_output_folder_that_cannot_be_made() {
    let here = folder("bad-output");
    grey().write(&here.join("a.ser"));
    std::fs::write(here.join("file"), "not a folder").unwrap();
    for out in ["file", "file/below"] {
        let said = stillair(&here, &["run", "quick-look", "a.ser", "--out", out]);
        failed(&here, &said, 1, &["file", "give another folder with --out"]);
    }
    assert_eq!(std::fs::read_to_string(here.join("file")).unwrap(), "not a folder");
}

/// Runs a script of the shell, with `STILLAIR` for the command, in a folder with a clip.
#[cfg(unix)]
fn shell(here: &Path, before: &[&str], script: &str) -> Said {
    let mut words = before.to_vec();
    words.extend(["sh", "-c", script]);
    let mut command = std::process::Command::new(words[0]);
    command.args(&words[1..]).current_dir(here).env("STILLAIR", env!("CARGO_BIN_EXE_stillair"));
    command.env("XDG_CACHE_HOME", Path::new(env!("CARGO_TARGET_TMPDIR")).join("caches"));
    match command.output() {
        Ok(done) => {
            let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
            Said { code: done.status.code(), out: text(&done.stdout), err: text(&done.stderr) }
        }
        Err(error) => Said { code: None, out: String::new(), err: error.to_string() },
    }
}

/// How a process of this user gets mounts of its own, which vanish with it.
#[cfg(unix)]
fn own_mounts(here: &Path) -> Option<&'static [&'static str]> {
    let ways: [&[&str]; 2] = [&["unshare", "-m"], &["unshare", "-rm"]];
    std::fs::create_dir_all(here.join("probe")).unwrap();
    ways.into_iter().find(|way| shell(here, way, "mount -t tmpfs tmpfs probe").code == Some(0))
}

#[cfg(unix)]
#[test]
fn an_output_folder_that_may_not_be_written() {
    let here = folder("bad-readonly");
    grey().write(&here.join("a.ser"));
    std::fs::create_dir(here.join("runs")).unwrap();
    let run = "\"$STILLAIR\" run quick-look a.ser";
    let said = match own_mounts(&here) {
        Some(way) => shell(&here, way, &format!("mount -t tmpfs -o ro tmpfs runs && {run}")),
        None if cfg!(target_os = "linux") => {
            println!("no mounts of its own: a folder of the kernel's, which nobody may write, instead");
            shell(&here, &[], &format!("{run} --out /sys/runs"))
        }
        None => {
            println!("no mounts of its own: the folder is made unwritable by its permissions, which do not bind root");
            shell(&here, &[], &format!("chmod 555 runs; {run}; code=$?; chmod 755 runs; exit $code"))
        }
    };
    failed(&here, &said, 1, &["error: ", "runs", "give a folder that can be written with --out"]);
    assert!(left(&here).is_empty());
}

#[cfg(unix)]
#[test]
fn a_full_disk() {
    let here = folder("bad-full");
    grey().write(&here.join("a.ser"));
    std::fs::create_dir(here.join("runs")).unwrap();
    // What the disk keeps is listed while it is mounted.
    let after = "code=$?; find runs -mindepth 1 >&2; cat runs/*-failed/run.json >&2; exit $code";
    let script = |size: &str| {
        format!("mount -t tmpfs -o size={size} tmpfs runs && \"$STILLAIR\" run planet-mono a.ser; {after}")
    };
    let Some(way) = own_mounts(&here) else {
        println!(
            "no mounts of its own: core/engine/tests/run.rs has the disk that is full, here a limit of file sizes"
        );
        return too_large_a_file(&here);
    };
    let enough = shell(&here, way, &script("4m"));
    assert_eq!(enough.code, Some(0), "{}", enough.err);
    // Room for some of the results, then for the record of the failure; and for neither.
    for (size, recorded) in [("96k", true), ("16k", false)] {
        let said = shell(&here, way, &script(size));
        assert_eq!((said.code, said.out.as_str()), (Some(1), ""), "{size}: {}", said.err);
        for words in ["error: ", "/.making-", "No space left on device", "help: free "] {
            assert!(said.err.contains(words), "{size}: `{words}` is missing in\n{}", said.err);
        }
        assert!(said.err.contains("-failed\n"), "{size}: {}", said.err);
        let kept = |words: &str| said.err.lines().any(|l| l.starts_with("runs/") && l.contains(words));
        assert!(!kept("/results") && !kept(".making-") && !kept(".partial"), "{size}: {}", said.err);
        let status = said.err.contains("\"status\": \"failed\"");
        assert_eq!((kept("/run.json"), status), (recorded, recorded), "{size}: {}", said.err);
    }
    too_large_a_file(&here);
}

/// Writing stops in the middle of a file; the signal that goes with it is ignored, so that the error is seen. The record
/// is too large as well.
#[cfg(unix)]
fn too_large_a_file(here: &Path) {
    let said = shell(here, &[], "trap '' XFSZ; ulimit -f 8; \"$STILLAIR\" run planet-mono a.ser");
    assert_eq!((said.code, said.out.as_str()), (Some(1), ""), "{}", said.err);
    for words in ["error: ", "/results/", "File too large", "help: ", "choose another disk"] {
        assert!(said.err.contains(words), "`{words}` is missing in\n{}", said.err);
    }
    let run = only_run(here);
    assert!(run.to_str().unwrap().ends_with("-failed"), "{run:?}");
    let kept: Vec<_> = std::fs::read_dir(&run).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(kept, ["tables"], "no results, no half record");
    assert_eq!(std::fs::read_dir(run.join("tables")).unwrap().count(), 0);
}
