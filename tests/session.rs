//! Session files: how one is begun and checked, which of several sources of a fact counts, what stays private; and
//! FITS captures whose headers say such facts. All of it is defined by the project alone; FITS files are laid out as
//! the FITS Standard 4.0 says.

use std::path::{Path, PathBuf};

use crate::clips::{Capture, SIDE, grey};
use crate::support::{folder, stillair, workspace};
use serde_json::Value;

fn run(here: &Path, arguments: &[&str]) -> (PathBuf, String) {
    let said = stillair(here, arguments);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let mut runs: Vec<PathBuf> = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
    runs.sort_by_key(|run| std::fs::metadata(run).unwrap().modified().unwrap());
    (runs.pop().unwrap(), said.err)
}

fn record(run: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// A FITS picture of 32-bit floats with further cards.
fn write_fits(path: &Path, (width, height): (usize, usize), data: &[f32], cards: &[String]) {
    let sized = [
        format!("{:<8}= {:>20}", "SIMPLE", "T"),
        format!("{:<8}= {:>20}", "BITPIX", "-32"),
        format!("{:<8}= {:>20}", "NAXIS", "2"),
        format!("{:<8}= {width:>20}", "NAXIS1"),
        format!("{:<8}= {height:>20}", "NAXIS2"),
    ];
    let mut bytes = Vec::new();
    for card in sized.iter().chain(cards).chain([&"END".to_string()]) {
        bytes.extend(format!("{card:<80}").into_bytes());
    }
    bytes.resize(bytes.len().next_multiple_of(2880), b' ');
    bytes.extend(data.iter().flat_map(|v| v.to_be_bytes()));
    bytes.resize(bytes.len().next_multiple_of(2880), 0);
    std::fs::write(path, bytes).unwrap();
}

fn number(key: &str, value: f64) -> String {
    format!("{key:<8}= {value:>20}")
}

fn text(key: &str, value: &str) -> String {
    format!("{key:<8}= '{value:<8}'")
}

/// A folder of FITS pictures of a planet, with `cards` for each.
fn write_folder(folder: &Path, frames: usize, cards: impl Fn(usize) -> Vec<String>, spoil: impl Fn(usize, &mut [f32])) {
    std::fs::create_dir_all(folder).unwrap();
    for (n, frame) in grey().frames.iter().take(frames).enumerate() {
        let mut data: Vec<f32> = frame.iter().map(|v| f32::from(*v) / 255.0).collect();
        spoil(n, &mut data);
        write_fits(&folder.join(format!("frame-{n}.fits")), (SIDE, SIDE), &data, &cards(n));
    }
}

fn floats(path: &Path) -> Vec<f32> {
    let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(path).unwrap()).unwrap();
    let tiff::decoder::DecodingResult::F32(data) = decoder.read_image().unwrap() else { panic!("not of floats") };
    data
}

#[test]
fn a_session_is_begun_from_the_header_and_never_overwritten() {
    let here = folder("session-new");
    grey().write(&here.join("a.ser"));
    let said = stillair(&here, &["session", "new", "a.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.starts_with("a.session.toml\n"), "{}", said.out);
    let begun = std::fs::read_to_string(here.join("a.session.toml")).unwrap();
    for words in [
        "60 frames of 64 x 64 px, mono, 8 bits",
        // 640690058400000000 ticks of 100 ns from the year 1 (Python datetime).
        "begun 2031-04-08 10:04:00 UTC",
        "1.2 s at 50.0 frames/s",
        "\n# bits = 8 ",
        "(the header says so)",
        "\n# aperture_mm = ",
        "\n[site]\n# Private",
        "\n# dark = ",
    ] {
        assert!(begun.contains(words), "{words}\n{begun}");
    }
    let good = stillair(&here, &["session", "check", "a.session.toml"]);
    assert_eq!((good.code, good.out.trim()), (Some(0), "a.session.toml: good, 0 facts"), "{}", good.err);
    let again = stillair(&here, &["session", "new", "a.ser"]);
    assert_eq!(again.code, Some(2));
    assert!(again.err.contains("a.session.toml is there already"), "{}", again.err);
    assert_eq!(std::fs::read_to_string(here.join("a.session.toml")).unwrap(), begun);

    // A folder of pictures has its session beside it, and its header says more.
    let cards = |n: usize| {
        let date = format!("2031-05-02T21:04:{n:02}");
        vec![number("EXPTIME", 0.02), text("DATE-OBS", &date), text("OBJECT", "jupiter"), text("FILTER", "R")]
    };
    write_folder(&here.join("night"), 3, cards, |_, _| {});
    assert_eq!(stillair(&here, &["session", "new", "night"]).code, Some(0));
    let begun = std::fs::read_to_string(here.join("night.session.toml")).unwrap();
    for words in
        ["\n# exposure_s = 0.02 ", "\n# name = \"jupiter\" ", "\n# filter = \"R\" ", "0.02 s of exposure a frame"]
    {
        assert!(begun.contains(words), "{words}\n{begun}");
    }
    let missing = stillair(&here, &["session", "new", "none.ser"]);
    assert!(missing.code != Some(0) && missing.err.contains("none.ser"), "{}", missing.err);
    assert!(!here.join("none.session.toml").exists());
}

#[test]
fn all_that_is_wrong_with_a_session_is_told_with_its_place() {
    let here = folder("session-check");
    let session = "[telescope]\naperture_cm = 10.5\nobstruction = 33\n[camera]\nexposure_ms = 12\npixel_um = 0.00376\n\
                   pattern = \"RGBG\"\nbits = \"twelve\"\n[mout]\nkind = \"equatorial\"\n[calibration]\ndark = \"none.ser\"\n";
    std::fs::write(here.join("s.toml"), session).unwrap();
    let said = stillair(&here, &["session", "check", "s.toml"]);
    assert_eq!((said.code, said.out.as_str()), (Some(2), ""), "{}", said.err);
    for words in [
        "s.toml:2:1",
        "write `aperture_mm = 105`",
        "s.toml:3:15",
        "write `obstruction = 0.33`",
        "s.toml:5:1",
        "write `exposure_s = 0.012`",
        "s.toml:6:12",
        "give it in um",
        "s.toml:7:11",
        "s.toml:8:8",
        "must be a whole number",
        "did you mean `mount`?",
        "there is no file `none.ser`",
        "8 errors",
    ] {
        assert!(said.err.contains(words), "{words}\n{}", said.err);
    }
    // A run says the same, before any work.
    grey().write(&here.join("a.ser"));
    let run = stillair(&here, &["run", "quick-look", "a.ser", "--session", "s.toml"]);
    assert_eq!(run.code, Some(2));
    assert!(run.err.contains("write `exposure_s = 0.012`") && !here.join("runs").exists(), "{}", run.err);

    std::fs::write(here.join("a.session.toml"), "[telescope]\naperture_mm = 105\n[camera]\nfilter = \"R\"\n").unwrap();
    let said = stillair(&here, &["session", "check", "a.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let wanted = "a.session.toml: good, 2 facts\n  telescope.aperture_mm = 105\n  camera.filter = \"R\"";
    assert_eq!(said.out.trim(), wanted);
    let json = stillair(&here, &["session", "check", "a.ser", "--json"]);
    let json: Value = serde_json::from_str(json.out.trim()).unwrap();
    assert_eq!(json["facts"]["telescope.aperture_mm"]["value"], 105.0, "{json}");
    let none = stillair(&folder("session-none"), &["session", "check", "b.ser"]);
    assert_eq!(none.code, Some(2));
    assert!(none.err.contains("no session file belongs to b.ser"), "{}", none.err);
}

#[test]
fn the_command_line_wins_over_the_session_and_that_over_the_header() {
    let here = folder("session-order");
    // EXPTIME is that of all frames that a picture was combined from.
    let cards = |_| vec![number("EXPTIME", 0.2), "NCOMBINE=                   10".into(), number("EGAIN", 0.7)];
    write_folder(&here.join("a"), 12, cards, |_, _| {});
    let fact = |run: &Path, name: &str| record(run)["inputs"][0]["facts"][name].clone();
    let says = |found: Value, value: f64, origin: &str| {
        assert_eq!((found["value"].as_f64(), found["origin"].as_str()), (Some(value), Some(origin)), "{found}");
    };
    let (alone, _) = run(&here, &["run", "quick-look", "a"]);
    says(fact(&alone, "camera.exposure_s"), 0.02, "header");
    says(fact(&alone, "camera.gain_e_per_adu"), 0.7, "header");
    std::fs::write(here.join("a.session.toml"), "[camera]\nexposure_s = 0.03\n").unwrap();
    let (with, _) = run(&here, &["run", "quick-look", "a"]);
    says(fact(&with, "camera.exposure_s"), 0.03, "session");
    says(fact(&with, "camera.gain_e_per_adu"), 0.7, "header");
    let (first, _) = run(&here, &["run", "quick-look", "a", "--fact", "camera.exposure_s=0.04"]);
    says(fact(&first, "camera.exposure_s"), 0.04, "command-line");
}

#[test]
fn the_site_is_in_the_record_and_in_no_result() {
    let here = folder("session-site");
    grey().write(&here.join("a.ser"));
    let session = "[telescope]\naperture_mm = 105\nfocal_mm = 1355\n[camera]\npixel_um = 3.76\n[target]\nname = \"jupiter\"\n\
                   [site]\nlatitude_deg = 48.13721\nlongitude_deg = 11.57552\nelevation_m = 519.25\n\
                   pressure_hpa = 947.31\ntemperature_c = -3.625\n[notes]\nwhere = \"behind the barn\"\n";
    std::fs::write(here.join("a.session.toml"), session).unwrap();
    let recipe = workspace().join("examples/all-formats.toml");
    let (run, _) = run(&here, &["run", recipe.to_str().unwrap(), "a.ser"]);
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("48.13721") && record.contains("947.31"), "the record on this machine has it");
    let private = ["48.13721", "11.57552", "519.25", "947.31", "-3.625", "barn", "latitude", "site.", "session-site"];
    let mut kinds = Vec::new();
    for entry in std::fs::read_dir(run.join("results")).unwrap() {
        let path = entry.unwrap().path();
        // A long text of a FITS header goes on in CONTINUE cards (FITS Standard 4.0, 4.2.1.2).
        let bytes = String::from_utf8_lossy(&std::fs::read(&path).unwrap()).replace("&'CONTINUE  '", "");
        let has = |words: &str| bytes.contains(words);
        for words in private {
            assert!(!has(words), "{} has `{words}`", path.display());
        }
        let kind = path.extension().unwrap().to_str().unwrap().to_string();
        // All say where they come from, in plain letters: what was sought would be found. A clip has room for little.
        assert!(has(if kind == "ser" { " recipe " } else { "recipe_blake3" }), "{}", path.display());
        kinds.push(kind);
    }
    kinds.sort();
    kinds.dedup();
    assert_eq!(kinds, ["csv", "fits", "jpg", "png", "ser", "tif"]);
}

#[test]
fn a_sequence_whose_exposure_changes_says_so() {
    let here = folder("session-exposures");
    let cards = |n: usize| vec![number("EXPTIME", if n < 6 { 0.02 } else { 0.05 })];
    write_folder(&here.join("a"), 12, cards, |_, _| {});
    let (run, said) = run(&here, &["run", "quick-look", "a"]);
    let words = "the exposure changes within the sequence: 0.02 s at first, 0.05 s at frame 6";
    assert!(said.lines().any(|l| l.starts_with("warning: ") && l.contains(words)), "{said}");
    assert!(record(&run)["warnings"].to_string().contains(words));
    assert_eq!(record(&run)["inputs"][0]["facts"]["camera.exposure_s"], Value::Null);
    assert!(floats(&run.join("results/stack.tif")).iter().all(|v| v.is_finite()));
}

#[test]
fn samples_that_are_no_numbers_do_not_reach_the_picture() {
    let here = folder("session-nan");
    let spoil = |n: usize, data: &mut [f32]| {
        for k in 0..40 {
            data[(k * 101 + n * 7) % (SIDE * SIDE)] = [f32::NAN, f32::INFINITY, f32::NEG_INFINITY][k % 3];
        }
    };
    write_folder(&here.join("a"), 30, |_| vec![number("EXPTIME", 0.02)], spoil);
    let (run, said) = run(&here, &["run", "planet-mono", "a"]);
    assert!(said.contains("not finite numbers"), "{said}");
    for file in ["picture.tif", "stack.tif"] {
        let data = floats(&run.join("results").join(file));
        let top = data.iter().copied().fold(0.0, f32::max);
        assert!(data.iter().all(|v| v.is_finite()) && (0.2..2.0).contains(&top), "{file}: {top}");
    }
    // A dark that is no number at all is no light.
    let dark = vec![f32::NAN; SIDE * SIDE];
    write_fits(&here.join("dark.fits"), (SIDE, SIDE), &dark, &[]);
    grey().write(&here.join("b.ser"));
    let said = stillair(&here, &["run", "quick-look", "b.ser", "dark=dark.fits"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    // A clip whose flat has no light at all cannot be evened.
    Capture::new(0, 8, vec![vec![0; SIDE * SIDE]; 4]).write(&here.join("flat.ser"));
    let said = stillair(&here, &["run", "quick-look", "b.ser", "flat=flat.ser"]);
    assert_eq!(said.code, Some(1));
    assert!(said.err.contains("the flat is not brighter than its dark"), "{}", said.err);
}
