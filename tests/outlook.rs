//! `stillair outlook`: the numbers it tells against planning numbers from outside (tests/data/outlook, which names
//! their sources), the words of the tables, what it keeps to itself, and what it says to a wrong question.

use std::path::Path;

use crate::support::{Said, folder, stillair, workspace};
use serde_json::Value;

/// An invented observer, at sea in the tropics, so that every target stands high at opposition.
const SITE: &str = "10.5,-38.25,2";
const GEAR: &str = "[telescope]\naperture_mm = 203.2\nobstruction = 0.34\nfocal_mm = 1350\n[camera]\npixel_um = 3.76\n\
                    pattern = \"RGGB\"\nexposure_s = 0.004\n";

fn planning() -> toml::Table {
    let path = workspace().join("tests/data/outlook/planning.toml");
    std::fs::read_to_string(path).unwrap().parse().unwrap()
}

fn number(table: &toml::Table, key: &str) -> f64 {
    table[key].as_float().unwrap_or_else(|| panic!("{key}"))
}

fn rows<'a>(table: &'a toml::Table, key: &str) -> Vec<&'a toml::Table> {
    table[key].as_array().unwrap().iter().map(|row| row.as_table().unwrap()).collect()
}

fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got} for {expected}");
}

fn good(here: &Path, arguments: &[&str]) -> Said {
    let said = stillair(here, arguments);
    assert_eq!(said.code, Some(0), "{}", said.err);
    for line in said.out.lines() {
        assert!(arguments.contains(&"--json") || line.chars().count() <= 100, "{line}");
    }
    said
}

/// The words with single blanks, wherever lines are broken.
fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn json(here: &Path, arguments: &[&str]) -> Value {
    let said = good(here, &[arguments, &["--json"]].concat());
    serde_json::from_str::<Value>(said.out.lines().next().unwrap()).unwrap()["outlook"].take()
}

fn refused(here: &Path, arguments: &[&str]) -> String {
    let said = stillair(here, arguments);
    assert_eq!(said.code, Some(2), "{}{}", said.out, said.err);
    said.err
}

fn best<'a>(outlook: &'a Value, night: usize, body: &str) -> &'a Value {
    let targets = outlook["nights"][night]["targets"].as_array().unwrap();
    &targets.iter().find(|target| target["body"] == body).unwrap()["best"]
}

fn real(value: &Value, pointer: &str) -> f64 {
    value.pointer(pointer).and_then(Value::as_f64).unwrap_or_else(|| panic!("{pointer} in {value}"))
}

#[test]
fn numbers_agree_with_the_planning_tables() {
    let here = folder("outlook-numbers");
    std::fs::write(here.join("session.toml"), GEAR).unwrap();
    let planning = planning();
    let setup = planning["example_setup"].as_table().unwrap();
    let scale = number(setup, "arcsec_per_px");
    let px_per_arcsec = number(setup, "jupiter_45_arcsec_diameter_px") / 45.0;
    for row in rows(&planning, "opposition") {
        let (body, date) = (row["body"].as_str().unwrap(), &row["tt"].as_str().unwrap()[..10]);
        let got = json(&here, &["outlook", "--site", SITE, "--date", date, "--target", body]);
        near("scale", real(&got, "/sampling/arcsec_per_px"), scale, 5.1e-5);
        let best = best(&got, 0, body);
        // The size changes by less than 0.03 arcsec in the half day between opposition and best moment.
        let diameter_arcsec = number(row, "equatorial_diameter_arcsec");
        near(body, real(best, "/disc/equatorial_diameter_arcsec"), diameter_arcsec, 0.03);
        near(body, real(best, "/disc_px"), diameter_arcsec * px_per_arcsec, 0.06);
        // At opposition the Sun is opposite, and the disc is full.
        assert!(real(best, "/disc/elongation_deg") > 170.0 && real(best, "/disc/illuminated_fraction") > 0.99);
        if let Some(clip) = rows(&planning, "longest_clip").into_iter().find(|clip| clip["body"].as_str() == Some(body))
        {
            let expected = number(clip, "longest_clip_s") * scale / number(clip, "allowed_arcsec")
                * number(clip, "equatorial_diameter_arcsec")
                / diameter_arcsec;
            near(body, real(best, "/longest_clip_s"), expected, 0.003 * expected);
        }
        if body == "saturn" {
            let tilt_deg = real(best, "/disc/rings/tilt_deg").abs();
            assert!(
                tilt_deg > 20.0 && tilt_deg <= number(planning["saturn_ring"].as_table().unwrap(), "largest_tilt_deg")
            );
        }
    }
}

#[test]
fn a_night_as_a_table_and_a_picture() {
    let here = folder("outlook-night");
    let session = format!("{GEAR}[site]\nlatitude_deg = 10.5\nlongitude_deg = -38.25\n[time]\nutc_offset_s = 7200\n");
    std::fs::write(here.join("mine.toml"), session).unwrap();
    let said = good(&here, &["outlook", "--session", "mine.toml", "--date", "2031-06-15", "--picture", "night.svg"]);
    for words in [
        "Night of 2031-06-15 to 2031-06-16",
        "UTC-02:00",
        "high in the dark",
        // Jupiter at opposition: full, at the setup's scale.
        "jupiter 46.2 80 100",
        "0.574 arcsec/px, 1.0 px per lambda/D at 550 nm",
        "undersampled",
        "local law and licensed practice",
        "from the Sun",
    ] {
        assert!(plain(&said.out).contains(words), "{words}\n{}", said.out);
    }
    assert!(
        said.err.contains("from the facts in mine.toml") && said.err.contains("picture  night.svg"),
        "{}",
        said.err
    );
    let picture = std::fs::read_to_string(here.join("night.svg")).unwrap();
    assert!(picture.starts_with("<svg") && picture.contains("Jupiter: highest in the dark at"));
    // The place stays here.
    for text in [&said.out, &picture] {
        assert!(!text.contains("38.25") && !text.contains("latitude_deg = "), "{text}");
    }
    assert!(refused(&here, &["outlook", "--site", SITE, "--picture", "night.png"]).contains("end with .svg"));
}

#[test]
fn the_site_is_told_only_when_asked() {
    let here = folder("outlook-private");
    let ask = ["outlook", "--site", SITE, "--date", "2031-06-15", "--target", "jupiter"];
    assert!(json(&here, &ask).pointer("/request/site").is_none());
    let with = json(&here, &[&ask[..], &["--with-site"]].concat());
    near("latitude", real(&with, "/request/site/latitude_deg"), 10.5, 0.0);
}

#[test]
fn without_telescope_and_camera_the_sky_is_told_and_the_rest_named() {
    let here = folder("outlook-bare");
    let said = good(&here, &["outlook", "--site", SITE, "--date", "2031-06-15"]);
    for words in ["jupiter 46.2 - 100", "Left out: sizes in pixels", "Not known: telescope.aperture_mm"] {
        assert!(plain(&said.out).contains(words), "{words}\n{}", said.out);
    }
    let aperture = ["outlook", "--site", SITE, "--date", "2031-06-15", "--fact", "telescope.aperture_mm=203.2"];
    // lambda/D of 203.2 mm at 550 nm: 0.5583 arcsec (206264.8 * 550e-9 / 0.2032).
    assert!(good(&here, &aperture).out.contains("lambda/D = 0.56 arcsec"));
}

/// The invented observer of the examples.
#[test]
fn the_example_works() {
    let here = folder("outlook-example");
    let session = workspace().join("examples/night/session.toml");
    let said = good(&here, &["outlook", "--session", session.to_str().unwrap(), "--date", "2031-06-15"]);
    for words in ["UTC+05:00", "jupiter 46.2 309 100", "3.8 px per lambda/D", "finer than a mono camera needs"] {
        assert!(plain(&said.out).contains(words), "{words}\n{}", said.out);
    }
}

#[test]
fn several_nights_are_rows() {
    let here = folder("outlook-span");
    let said = good(&here, &["outlook", "--site", SITE, "--date", "2031-06-10", "--until", "2031-06-20"]);
    assert_eq!(said.out.lines().filter(|line| line.starts_with("2031-06-")).count(), 11);
    let one = ["outlook", "--site", SITE, "--date", "2031-12-11", "--nights", "3", "--target", "saturn"];
    let said = good(&here, &one);
    assert_eq!(said.out.lines().filter(|line| line.starts_with("2031-12-1") && line.contains(" 20.")).count(), 3);
}

#[test]
fn where_night_does_not_fall_or_does_not_end() {
    let here = folder("outlook-polar");
    let north = |date: &str| good(&here, &["outlook", "--site", "80,20", "--date", date]).out;
    let summer = north("2031-06-20");
    assert!(
        summer.contains("does not get dark") && summer.contains("Nothing asked for is high in the dark"),
        "{summer}"
    );
    assert!(north("2031-12-20").contains("dark from noon to noon"));
}

#[test]
fn wrong_questions_are_answered_with_the_remedy() {
    let here = folder("outlook-wrong");
    assert!(
        refused(&here, &["outlook"])
            .contains("give --site LAT,LON, or write latitude_deg and longitude_deg under [site]")
    );
    assert!(refused(&here, &["outlook", "--fact", "site.latitude_deg=5"]).contains("write longitude_deg under [site]"));
    for (arguments, words) in [
        (vec!["--site", "here"], "--site here is not a place"),
        (vec!["--site", "91,0"], "must be from -90 to 90"),
        (vec!["--site", SITE, "--date", "2031-13-02"], "write year, month and day, such as 2031-05-02"),
        (vec!["--site", SITE, "--date", "1800-01-01"], "outside 1950 to 2050"),
        (vec!["--site", SITE, "--date", "2031-05-02", "--until", "2031-05-01"], "swap the two dates"),
        (vec!["--site", SITE, "--nights", "0"], "1 to 400 nights"),
        (vec!["--site", SITE, "--nights", "401"], "1 to 400 nights"),
        (vec!["--site", SITE, "--target", "pluto"], "known are mercury"),
        (vec!["--site", SITE, "--smear-px", "0"], "allowed_smear_px = 0 is not possible"),
    ] {
        let said = refused(&here, &[&["outlook"], &arguments[..]].concat());
        assert!(said.contains(words), "{said}");
    }
    std::fs::write(here.join("session.toml"), "[site]\nlatitude = 5\n").unwrap();
    assert!(refused(&here, &["outlook"]).contains("latitude_deg"));
}

/// A folder of a run as far as the outlook reads it.
fn write_run(here: &Path, name: &str, start_unix_ns: i64, limit: &str) {
    let folder = here.join("runs").join(name);
    std::fs::create_dir_all(&folder).unwrap();
    let entries = serde_json::json!([
        {"kind": "text", "name": "limiting-factor", "value": limit},
        {"kind": "text", "name": "limit-summary", "value": "so it was"},
        {"kind": "number", "name": "altitude", "value": 50.0, "unit": "deg", "help": ""},
    ]);
    let record = serde_json::json!({
        "status": "done", "started": "2031-05-09T10:00:00.000Z",
        "inputs": [{"clip": {"start_unix_ns": start_unix_ns}, "facts": {"target.name": {"value": "Jupiter"}}}],
        "nodes": [{"method": "assess.limit", "entries": entries}],
    });
    std::fs::write(folder.join("run.json"), record.to_string()).unwrap();
}

#[test]
fn earlier_runs_are_read_and_not_overread() {
    let here = folder("outlook-past");
    const DAY_NS: i64 = 86_400_000_000_000;
    let night_ns = 1_935_000_000_000_000_000;
    // Saturn is not high in the dark on that date, so that nothing is said of it.
    let ask = ["outlook", "--site", SITE, "--date", "2031-06-15", "--target", "jupiter,saturn", "--runs", "runs"];
    let said = stillair(&here, &ask);
    assert_eq!(said.code, Some(2), "{}", said.err);
    assert!(said.err.contains("runs is not a folder"), "{}", said.err);
    write_run(&here, "a", night_ns, "dispersion");
    write_run(&here, "b", night_ns, "dispersion");
    let text = good(&here, &ask).out;
    assert!(text.contains("2 runs of 1 night") && text.contains("Too few to plan by"), "{text}");
    write_run(&here, "c", night_ns + DAY_NS, "seeing");
    let text = good(&here, &ask).out;
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("3 runs of 2 nights") && flat.contains("dispersion 2, seeing 1"), "{text}");
    assert!(flat.contains("Plan for dispersion") && !flat.contains("saturn,"), "{text}");
    let said = good(&here, &[&ask[..], &["--json"]].concat());
    let past: Value = serde_json::from_str(said.out.lines().last().unwrap()).unwrap();
    assert_eq!((&past["event"], past["targets"].as_array().unwrap().len()), (&"past".into(), 1));
    assert_eq!(past["targets"][0]["plan_for"], "dispersion");
}
