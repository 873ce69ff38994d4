//! Several clips of one target in one run. What the run says and leaves is the project's own; no outside reference applies
//! (the geometry is checked in stillair-derotate and stillair-sky).

use crate::clips;
use crate::support::{folder, stillair};

/// Two clips, the second four minutes after the first.
fn write_two(here: &std::path::Path) {
    let mut capture = clips::mosaic();
    capture.write(&here.join("first.ser"));
    for tick in &mut capture.ticks {
        *tick += 240 * 10_000_000;
    }
    capture.write(&here.join("second.ser"));
}

fn whole(here: &std::path::Path) -> std::path::PathBuf {
    let run = std::fs::read_dir(here.join("runs")).unwrap().next().unwrap().unwrap().path();
    assert!(run.join("results/picture.tif").is_file() && run.join("results/stack.tif").is_file());
    assert!(run.join("results/best-frame-2.png").is_file());
    run
}

#[test]
fn without_a_target_the_clips_are_added_and_the_reason_is_said() {
    let here = folder("several-clips-no-target");
    write_two(&here);
    let said = stillair(&here, &["run", "planet-colour", "first.ser", "second.ser"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = whole(&here);
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("no target is named"), "the record says what is missing");
    assert!(said.err.contains("without derotation"), "{}", said.err);
}

#[test]
fn a_target_that_the_sky_does_not_know_stops_nothing() {
    let here = folder("several-clips-odd-target");
    write_two(&here);
    let said = stillair(&here, &["run", "planet-colour", "first.ser", "second.ser", "--fact", "target.name=vulcan"]);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let record = std::fs::read_to_string(whole(&here).join("run.json")).unwrap();
    assert!(record.contains("the sky knows no target `vulcan`"));
}
