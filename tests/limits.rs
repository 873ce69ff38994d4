//! What limited a picture, tried on simulated clips in which exactly one thing is wrong, and on clean ones. What is
//! wrong is written in the recipe of each clip, so the truth is known; the simulation and the verdicts share no code.

use std::path::Path;

use crate::support::{self, folder, stillair};

/// A clip by the numbers that differ from the clean one, and what limits it.
struct Case {
    name: &'static str,
    numbers: &'static [(&'static str, &'static str)],
    limit: &'static str,
}

const CLEAN: &[(&str, &str)] = &[
    ("preset", "\"demo\""),
    ("frames", "240"),
    ("width", "160"),
    ("height", "144"),
    ("focal_mm", "1850"),
    ("d_over_r0", "0.8"),
    ("altitude_deg", "75"),
    ("gain_e_per_adu", "12"),
    ("exposure_level", "0.9"),
    ("drift_arcsec_per_s", "[0.02, -0.01]"),
    ("seed", "1"),
];

const fn case(name: &'static str, numbers: &'static [(&'static str, &'static str)], limit: &'static str) -> Case {
    Case { name, numbers, limit }
}

/// One clip for each thing that can be wrong.
const CASES: &[Case] = &[
    case("clean", &[], "telescope"),
    case("seeing", &[("d_over_r0", "3.2")], "seeing"),
    case("focus", &[("defocus_waves", "0.25")], "focus"),
    case("sampling", &[("focal_mm", "1000"), ("width", "104"), ("height", "96")], "sampling"),
    case("noise", &[("gain_e_per_adu", "0.12"), ("frames", "120")], "noise"),
    case("clouds", &[("clouds_per_s", "0.4")], "clouds"),
    case("rotation", &[("frames_per_s", "0.8"), ("drift_arcsec_per_s", "[0.002, 0.0]")], "rotation"),
    case("dispersion", &[("altitude_deg", "14")], "dispersion"),
    case("burnt", &[("exposure_level", "1.6")], "exposure level"),
    case("drift", &[("drift_arcsec_per_s", "[7.0, 3.0]")], "tracking"),
    case("collimation", &[("coma_waves", "[0.1, 0.0]")], "collimation"),
    case("lost frames", &[("dropped", "0.2")], "lost frames"),
    case("window", &[("width", "110"), ("height", "105"), ("drift_arcsec_per_s", "[0.2, 0.0]")], "window"),
    case("rotation undone", &[("frames_per_s", "0.8"), ("drift_arcsec_per_s", "[0.002, 0.0]")], "telescope"),
];

/// What fills the frame has no sky about it, so that less can be told.
const SURFACE: &[(&str, &str)] = &[
    ("preset", "\"terrain\""),
    ("frames", "80"),
    ("width", "256"),
    ("height", "200"),
    ("focal_mm", "1850"),
    ("d_over_r0", "0.8"),
    ("seed", "1"),
];

const SURFACES: &[Case] = &[
    case("surface, clean", &[], "telescope"),
    case("surface, clean, seed 3", &[("seed", "3"), ("d_over_r0", "0.6")], "telescope"),
    case("surface, seeing", &[("d_over_r0", "3.2"), ("seed", "2")], "seeing"),
    case("surface, seeing 2.5", &[("d_over_r0", "2.5")], "seeing"),
    case("surface, sampling", &[("focal_mm", "1000"), ("width", "160"), ("height", "128")], "sampling"),
];

/// More strengths and other seeds, for the table.
const MORE: &[Case] = &[
    case("clean, seed 2", &[("seed", "2")], "telescope"),
    case("clean, seed 3", &[("seed", "3")], "telescope"),
    case("clean, seed 4", &[("seed", "4"), ("d_over_r0", "0.6")], "telescope"),
    case("clean, seed 5", &[("seed", "5"), ("kind", "\"rocky\"")], "telescope"),
    case("clean, seed 6", &[("seed", "6"), ("exposure_level", "0.6")], "telescope"),
    case("clean, 12 bits", &[("seed", "7"), ("bits", "12"), ("gain_e_per_adu", "0.8")], "telescope"),
    case("seeing 2.2", &[("d_over_r0", "2.2"), ("seed", "2")], "seeing"),
    case("seeing 4.5", &[("d_over_r0", "4.5"), ("seed", "3")], "seeing"),
    case("focus 0.2", &[("defocus_waves", "0.2"), ("seed", "2")], "focus"),
    case("focus 0.3", &[("defocus_waves", "-0.3"), ("seed", "3")], "focus"),
    case("sampling 1.1", &[("focal_mm", "850"), ("width", "96"), ("height", "80"), ("seed", "2")], "sampling"),
    case("noise, 30 frames", &[("gain_e_per_adu", "0.3"), ("frames", "40"), ("seed", "2")], "noise"),
    case("clouds, seed 2", &[("clouds_per_s", "0.5"), ("seed", "2")], "clouds"),
    case(
        "rotation, 400 s",
        &[("frames_per_s", "0.6"), ("drift_arcsec_per_s", "[0.002, 0.0]"), ("seed", "2")],
        "rotation",
    ),
    case("dispersion 20 deg", &[("altitude_deg", "20"), ("seed", "2")], "dispersion"),
    case("burnt, seed 2", &[("exposure_level", "1.5"), ("seed", "2")], "exposure level"),
    case("drift, seed 2", &[("drift_arcsec_per_s", "[-5.0, 6.0]"), ("seed", "2")], "tracking"),
    case("coma, down", &[("coma_waves", "[0.0, 0.15]"), ("seed", "2")], "collimation"),
    case("coma, aslant", &[("coma_waves", "[-0.14, 0.14]"), ("seed", "3")], "collimation"),
    case("lost frames, seed 2", &[("dropped", "0.3"), ("seed", "2")], "lost frames"),
    case("periodic error", &[("periodic_arcsec", "20"), ("frames_per_s", "4"), ("seed", "2")], "tracking"),
    case("underexposed", &[("gain_e_per_adu", "200"), ("exposure_level", "0.1")], "exposure level"),
    // What is undone or does no harm limits nothing.
    case("field rotation", &[("field_rotation_deg_per_s", "0.1")], "telescope"),
    case("sampling 5.4", &[("focal_mm", "4000"), ("width", "320"), ("height", "300")], "telescope"),
    case(
        "exposure of 150 ms",
        &[("exposure_s", "0.15"), ("frames_per_s", "6"), ("steps", "20"), ("d_over_r0", "1.6")],
        "exposure time",
    ),
];

fn is_surface(case: &Case) -> bool {
    case.name.starts_with("surface")
}

fn usual(case: &Case) -> &'static [(&'static str, &'static str)] {
    if is_surface(case) { SURFACE } else { CLEAN }
}

fn value<'a>(case: &'a Case, key: &str) -> &'a str {
    let find = |list: &'a [(&str, &str)]| list.iter().find(|(k, _)| *k == key).map(|(_, v)| *v);
    find(case.numbers).or_else(|| find(usual(case))).unwrap_or_default()
}

/// Makes the clip, runs the shipped recipe on it, and asks what limited the picture.
fn told(here: &Path, case: &Case) -> serde_json::Value {
    let stem = case.name.replace([' ', ',', '.'], "-");
    let (scene, shipped, target) = match is_surface(case) {
        true => ("terrain", "terrain", "moon"),
        false => ("planet", "planet-colour", "jupiter"),
    };
    let mut recipe =
        format!("schema = 1\nname = \"{stem}\"\nsummary = \"a clip\"\n[step.scene]\nuse = \"simulate.{scene}\"\n");
    let keys = usual(case).iter().map(|(k, _)| *k);
    let own = case.numbers.iter().map(|(k, _)| *k).filter(|k| !usual(case).iter().any(|(c, _)| c == k));
    for key in keys.chain(own) {
        recipe.push_str(&format!("{key} = {}\n", value(case, key)));
    }
    recipe.push_str("[step.clip]\nuse = \"write.ser\"\nframes = \"@scene\"\nname = \"clip\"\n");
    std::fs::write(here.join(format!("{stem}.toml")), recipe).unwrap();
    let exposure = match value(case, "exposure_s") {
        "" => "0.012",
        given => given,
    };
    let session = format!(
        "[telescope]\naperture_mm = 105\nobstruction = 0.33\nfocal_mm = {}\n[camera]\npixel_um = 3.76\n\
         exposure_s = {exposure}\n[target]\nname = \"{target}\"\n",
        value(case, "focal_mm")
    );
    let run = |arguments: &[&str]| {
        let said = stillair(here, arguments);
        assert_eq!(said.code, Some(0), "{}: {arguments:?}: {}", case.name, said.err);
        said.out
    };
    let only = |folder: &str| std::fs::read_dir(here.join(folder)).unwrap().next().unwrap().unwrap().path();
    let (made, done) = (format!("{stem}-made"), format!("{stem}-run"));
    run(&["run", &format!("{stem}.toml"), "--out", &made]);
    let clip = only(&made).join("results/clip.ser");
    std::fs::write(clip.with_extension("session.toml"), session).unwrap();
    let mut arguments = vec!["run", shipped, clip.to_str().unwrap(), "--out", &done];
    if case.limit == "rotation" {
        // Left as it is: what is undone limits nothing.
        arguments.extend(["--set", "spin.least_px=5"]);
    }
    let said = run(&arguments);
    let answer: serde_json::Value =
        serde_json::from_str(&run(&["diagnose", only(&done).to_str().unwrap(), "--json"])).unwrap();
    let limit = answer["limiting_factor"].as_str().unwrap();
    assert!(said.contains(&format!("limited by {limit}: ")), "{said}");
    answer
}

fn row(case: &Case, answer: &serde_json::Value) -> String {
    let costs = answer["factors"].as_array().unwrap().iter().take(3).map(|f| {
        let mark = if f["beyond"] == true { "*" } else { "" };
        format!("{}{mark} {:.1}", f["factor"].as_str().unwrap(), f["cost_db"].as_f64().unwrap())
    });
    let costs: Vec<String> = costs.collect();
    format!("{:20} {:16} {}", case.name, answer["limiting_factor"].as_str().unwrap(), costs.join(", "))
}

#[test]
fn the_one_thing_that_is_wrong_is_named_and_nothing_on_a_clean_clip() {
    let here = folder("limits");
    let rows: Vec<(bool, String)> = CASES
        .iter()
        .map(|case| {
            let answer = told(&here, case);
            (answer["limiting_factor"] == case.limit, row(case, &answer))
        })
        .collect();
    let table: Vec<&str> = rows.iter().map(|r| r.1.as_str()).collect();
    assert!(rows.iter().all(|r| r.0), "{}", table.join("\n"));
}

/// The whole table: `cargo test -p stillair --test all limits:: -- --ignored --nocapture`.
#[test]
#[ignore = "takes some minutes"]
#[allow(clippy::print_stdout)]
fn the_whole_table() {
    let here = folder("limits-table");
    let (mut wrong, mut text) = (0, String::new());
    for case in CASES.iter().chain(MORE).chain(SURFACES) {
        let answer = told(&here, case);
        wrong += usize::from(answer["limiting_factor"] != case.limit);
        text.push_str(&row(case, &answer));
        text.push('\n');
    }
    println!("{text}");
    assert_eq!(wrong, 0, "\n{text}");
}

#[test]
fn what_cannot_be_diagnosed_is_said() {
    let here = folder("limits-none");
    let said = stillair(&here, &["diagnose", "nowhere"]);
    assert_eq!(said.code, Some(2));
    assert!(said.err.contains("is not a run folder"), "{}", said.err);
    support::write_clip(&here.join("clip.ser"), 40);
    let said = stillair(&here, &["run", "quick-look", "clip.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    assert!(said.out.contains("what limited the picture, the data do not tell: a session file with"), "{}", said.out);
}

#[test]
fn a_run_that_was_not_asked_is_judged_from_its_tables() {
    let here = folder("limits-afterwards");
    // The recipe of the picture without the question, on a clip that drifts out of the frame.
    let drift = CASES.iter().find(|case| case.name == "drift").unwrap();
    let drift = Case { name: "old", ..*drift };
    told(&here, &drift);
    let run = std::fs::read_dir(here.join("old-run")).unwrap().next().unwrap().unwrap().path();
    let path = run.join("run.json");
    let mut record: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
    record["nodes"].as_array_mut().unwrap().retain(|n| n["method"] != "assess.limit");
    std::fs::write(&path, record.to_string()).unwrap();
    let said = stillair(&here, &["diagnose", run.to_str().unwrap(), "--json"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let answer: serde_json::Value = serde_json::from_str(&said.out).unwrap();
    assert_eq!(answer["limiting_factor"], "tracking", "{}", said.out);
    let untold: Vec<&str> =
        answer["untold"].as_array().unwrap().iter().map(|u| u["factor"].as_str().unwrap()).collect();
    assert!(untold.contains(&"noise") && !untold.contains(&"seeing"), "{untold:?}");
}
