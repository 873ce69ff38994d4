//! A mono camera's clips through red, green and blue filters become one colour picture in one run. The truth is the
//! simulation's own: the object at the instant, through a perfect telescope.

use std::path::{Path, PathBuf};

use crate::support::{folder, stillair};
use stillair_maths::border::Border;
use stillair_maths::fft::Fft2;
use stillair_maths::filters::gaussian;
use stillair_maths::registration::{BandSet, NewtonScratch, newton_shift, whitening};
use stillair_simulate::{CaptureWriter, Layout, PlanetClip, prepare, session};

const FRAMES: usize = 120;

/// Seconds between the beginnings of two clips.
const APART_S: f64 = 120.0;

/// Where the inside of the disc ends, whose radius is 43 px.
const INSIDE_PX: f64 = 34.0;

/// An invented planet of Jupiter's size at its date, seen by a mono camera through one filter after the other.
fn clip(number: usize, colour: usize) -> PlanetClip {
    let mut clip = PlanetClip {
        name: format!("clip-{number}"),
        seed: 23,
        part: number as u64,
        target: Some("jupiter".into()),
        diameter_arcsec: 49.1,
        sub_observer_latitude_deg: 0.76,
        rotation_deg_per_day: 870.27,
        start_utc: "2021-08-20T00:30:00Z".into(),
        frames: FRAMES,
        start_s: APART_S * number as f64,
        filter: Some(colour),
        ..PlanetClip::default()
    };
    clip.camera.layout = Layout::Mono;
    (clip.camera.hot_pixels, clip.camera.gain_e_per_adu) = (0, 20.0);
    clip.mount.drift_arcsec_per_s = [0.01, -0.008];
    (clip.seeing.d_over_r0, clip.seeing.pupil_points, clip.seeing.screen_points) = (1.5, 32, 512);
    clip
}

/// Writes a clip with its session and gives its file's name.
fn write(here: &Path, clip: &PlanetClip) -> String {
    let simulation = prepare(clip, &|| false).unwrap();
    let path = here.join(format!("{}.ser", clip.name));
    let mut writer =
        CaptureWriter::create(&path, &clip.camera, "simulated", simulation.ticks(clip.start_s).unwrap()).unwrap();
    for (n, time_s) in simulation.times().iter().enumerate() {
        writer.frame(&simulation.frame(n), simulation.ticks(*time_s).unwrap()).unwrap();
    }
    writer.finish().unwrap();
    std::fs::write(path.with_extension("session.toml"), session(clip)).unwrap();
    format!("{}.ser", clip.name)
}

/// Columns, rows and the three planes of a picture in TIFF.
fn read(path: &Path) -> (usize, usize, [Vec<f32>; 3]) {
    let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(path).unwrap()).unwrap();
    let (width, height) = decoder.dimensions().unwrap();
    let tiff::decoder::DecodingResult::F32(data) = decoder.read_image().unwrap() else { panic!("not f32") };
    assert_eq!(data.len(), 3 * (width * height) as usize, "a picture of three colours");
    (width as usize, height as usize, [0, 1, 2].map(|c| data.iter().skip(c).step_by(3).copied().collect()))
}

/// The middle of a larger plane.
fn middle(plane: &[f32], side: usize, width: usize, height: usize) -> Vec<f32> {
    let at = |k: usize, n: usize| (side as isize - n as isize) / 2 + k as isize;
    let inside = |v: isize| (0..side as isize).contains(&v);
    (0..width * height)
        .map(|i| {
            let (x, y) = (at(i % width, width), at(i / width, height));
            if inside(x) && inside(y) { plane[y as usize * side + x as usize] } else { 0.0 }
        })
        .collect()
}

/// Shift of a plane against another, px.
fn shift(plane: &[f32], truth: &[f32], width: usize, height: usize) -> [f64; 2] {
    let plan = Fft2::new(width, height);
    let bands = BandSet::new(width, height, 0.02, 0.22);
    let packed = |data: &[f32]| {
        let mut spectrum = plan.spectrum();
        let above: Vec<f32> = data.iter().map(|v| v - data[0]).collect();
        plan.forward(&above, &mut spectrum, &mut plan.scratch());
        bands.gather(&spectrum)
    };
    let reference = packed(truth);
    let weights = whitening(&bands, &reference, 0.5);
    let fit = newton_shift(&bands, &packed(plane), &reference, &weights, (0.0, 0.0), 30, &mut NewtonScratch::default());
    [fit.dx, fit.dy]
}

/// The fine detail of the disc's inside, without the limb, in a soft window.
fn inside(plane: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut coarse = vec![0.0; plane.len()];
    gaussian(plane, width, height, 4.0, Border::Nearest, &mut coarse, &mut Vec::new());
    let (u, v) = (0.5 * (width as f64 - 1.0), 0.5 * (height as f64 - 1.0));
    (0..plane.len())
        .map(|i| {
            let distance = ((i % width) as f64 - u).hypot((i / width) as f64 - v) / INSIDE_PX;
            let window = if distance < 1.0 { 0.5 + 0.5 * (std::f64::consts::PI * distance).cos() } else { 0.0 };
            window as f32 * (plane[i] - coarse[i])
        })
        .collect()
}

/// How far red and blue lie from green against the truth, px, as a whole or by what is seen `on_the_disc`.
fn misplaced(run: &Path, truth: &[Vec<f32>], side: usize, on_the_disc: bool) -> [f64; 2] {
    let (width, height, planes) = read(&run.join("results/picture.tif"));
    let seen = |plane: &[f32]| if on_the_disc { inside(plane, width, height) } else { plane.to_vec() };
    let place = |c: usize| shift(&seen(&planes[c]), &seen(&middle(&truth[c], side, width, height)), width, height);
    let places: Vec<[f64; 2]> = (0..3).map(place).collect();
    [0, 2].map(|c| (places[c][0] - places[1][0]).hypot(places[c][1] - places[1][1]))
}

fn latest(here: &Path) -> PathBuf {
    let runs = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path());
    runs.max_by_key(|run| std::fs::metadata(run).unwrap().modified().unwrap()).unwrap()
}

#[test]
fn clips_through_three_filters_become_one_colour_picture() {
    let here = folder("mono-colours");
    let files: Vec<String> = (0..3).map(|c| write(&here, &clip(c, c))).collect();
    let mut seen = clip(1, 1);
    seen.camera.layout = Layout::Rgb;
    seen.truth_times_s = vec![APART_S + 0.5 * FRAMES as f64 / seen.camera.frames_per_s];
    let epoch = prepare(&seen, &|| false).unwrap().truth().remove(0);
    let side = epoch.diffraction_1x.side;
    let truth: Vec<Vec<f32>> =
        (0..3).map(|c| epoch.diffraction_1x.values.iter().skip(c).step_by(3).copied().collect()).collect();

    let all: Vec<&str> = ["run", "planet-colour"].into_iter().chain(files.iter().map(String::as_str)).collect();
    let said = stillair(&here, &all);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let run = latest(&here);
    let found = misplaced(&run, &truth, side, false);
    // The goal for the colours is a tenth of a pixel; the globe turns by half a pixel a minute.
    assert!(found[0] < 0.1 && found[1] < 0.1, "{found:?}");
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    assert!(record.contains("red: clip 1; green: clip 2; blue: clip 3"));

    let still: Vec<&str> = all.iter().copied().chain(["--set", "whole.derotate=false"]).collect();
    assert_eq!(stillair(&here, &still).code, Some(0));
    // As a whole the colours lie well even so, between the limb and what the globe carried on.
    let turned = misplaced(&latest(&here), &truth, side, true);
    let found = misplaced(&run, &truth, side, true);
    assert!(found[0] + found[1] < 0.5 * (turned[0] + turned[1]), "{found:?} {turned:?}");

    // Without blue there is no colour picture, and that is said.
    let two = stillair(&here, &["run", "planet-colour", &files[0], &files[1]]);
    assert_eq!(two.code, Some(0), "{}", two.err);
    assert!(two.err.contains("no clip through a blue filter"), "{}", two.err);
}
