//! Bias, dark and flat, from the session file to the picture. A simulated planet is seen through a sensor made here,
//! with a known loss of light, dust, dark current and hot pixels; the truth is the same clip through a perfect sensor.
//! The sensor's model is that of Howell, Handbook of CCD Astronomy, 2nd ed., ch. 4 (from memory): raw = light * flat +
//! dark. What is said, and when, is defined by the project alone.

use std::path::{Path, PathBuf};

use crate::clips::{Capture, SIDE};
use crate::support::{Said, folder, stillair};
use stillair_simulate::{Alignment, Layout, Pattern, PlanetClip, prepare};

/// The largest number of 12 bits.
const WHITE: f64 = 4095.0;
/// What the sensor gives without light or time.
const BIAS: f64 = 60.0;

/// A planet of 36 px on a perfect sensor of 12 bits that gives 0 without light.
fn pristine(layout: Layout, frames: usize) -> Vec<Vec<u16>> {
    let mut clip = PlanetClip { frames, diameter_arcsec: 20.5, seed: 5, ..PlanetClip::default() };
    let camera = &mut clip.camera;
    (camera.width, camera.height, camera.dropped, camera.hot_pixels) = (SIDE, SIDE, 0.0, 0);
    (camera.layout, camera.bits, camera.alignment) = (layout, 12, Alignment::Right);
    (camera.gain_e_per_adu, camera.bias_adu) = (0.5, 0.0);
    (clip.seeing.screen_points, clip.seeing.pupil_points, clip.seeing.steps) = (512, 24, 1);
    let simulation = prepare(&clip, &|| false).unwrap();
    (0..frames).map(|n| simulation.frame(n)).collect()
}

/// Mixes numbers into one of 0 to 1 (the finaliser of splitmix64).
fn mixed(a: u64, b: u64) -> f64 {
    let mut v = a.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ b.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    v = (v ^ (v >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    v = (v ^ (v >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((v ^ (v >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

/// Share of the light that reaches a pixel: half is lost 64 px from (22, 26), and three specks of dust cast rings.
fn light_share(x: usize, y: usize) -> f64 {
    let (x, y) = (x as f64, y as f64);
    let mut share = 1.0 - 0.5 * ((x - 22.0).powi(2) + (y - 26.0).powi(2)) / (64.0 * 64.0);
    for (u, v, radius, depth) in [(26.0, 30.0, 5.0, 0.2), (40.0, 33.0, 7.0, 0.15), (33.0, 45.0, 4.0, 0.18)] {
        let d = (x - u).hypot(y - v) / radius;
        share *= 1.0 - depth * (-(d * d - 1.0).powi(2) * 2.0).exp();
    }
    share
}

/// What a pixel gives without light, above the bias, at the exposure of the capture: a glow from one corner, a pattern
/// of single pixels, and a dozen hot ones.
fn dark_current(x: usize, y: usize) -> f64 {
    let glow = 180.0 * (-((SIDE - x + SIDE - y) as f64) / 24.0).exp();
    glow + 24.0 * mixed(x as u64, 1000 + y as u64) + hot().iter().filter(|p| **p == (x, y)).count() as f64 * 1300.0
}

/// Hot pixels: a dozen, none of them next to another.
fn hot() -> Vec<(usize, usize)> {
    (0..12).map(|n| (9 + 14 * (n % 4) + n / 4, 12 + 15 * (n / 4) + n % 4)).collect()
}

/// A frame of the sensor made from light in steps of the converter.
fn sensed(light: impl Fn(usize) -> f64, dark: bool, number: usize) -> Vec<u16> {
    let pixel = |k: usize| {
        let (x, y) = (k % SIDE, k / SIDE);
        let noise = 6.0 * (mixed(k as u64, 7 + number as u64) - 0.5);
        let value = light(k) * light_share(x, y) + BIAS + if dark { dark_current(x, y) } else { 0.0 } + noise;
        value.round().clamp(0.0, WHITE) as u16
    };
    (0..SIDE * SIDE).map(pixel).collect()
}

/// A clip of 12 bits.
fn write(path: &Path, layout: Layout, frames: Vec<Vec<u16>>) {
    let colours = if matches!(layout, Layout::Mosaic(Pattern::Rggb)) { 8 } else { 0 };
    Capture::new(colours, 12, frames).write(path);
}

/// Bias, dark and flat clips of 40 frames, and a session that names those that are `wanted`.
fn write_calibration(here: &Path, layout: Layout, wanted: &[&str]) {
    let clip = |name: &str, light: f64, dark: bool, from: usize| {
        write(&here.join(name), layout, (0..40).map(|n| sensed(|_| light, dark, from + n)).collect());
    };
    clip("bias.ser", 0.0, false, 10_000);
    clip("dark.ser", 0.0, true, 20_000);
    // A flat is exposed too short for the dark current to count.
    clip("flat.ser", 2400.0, false, 30_000);
    let lines: String = wanted.iter().map(|kind| format!("{kind} = \"{kind}.ser\"\n")).collect();
    std::fs::write(here.join("session.toml"), format!("[calibration]\n{lines}")).unwrap();
}

/// The clip as the sensor saw it.
fn write_raw(here: &Path, layout: Layout, truth: &[Vec<u16>]) {
    let frames = truth.iter().enumerate().map(|(n, frame)| sensed(|k| f64::from(frame[k]), true, n));
    write(&here.join("a.ser"), layout, frames.collect());
}

fn run(here: &Path, arguments: &[&str]) -> (PathBuf, Said) {
    let said = stillair(here, arguments);
    assert_eq!(said.code, Some(0), "{}", said.err);
    let mut runs: Vec<PathBuf> = std::fs::read_dir(here.join("runs")).unwrap().map(|e| e.unwrap().path()).collect();
    runs.sort_by_key(|run| std::fs::metadata(run).unwrap().modified().unwrap());
    (runs.pop().unwrap(), said)
}

fn record(run: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap()
}

/// A float TIFF: columns, rows, samples (of all channels, those of a pixel together).
fn read(path: &Path) -> (usize, usize, Vec<f32>) {
    let mut decoder = tiff::decoder::Decoder::new(std::fs::File::open(path).unwrap()).unwrap();
    let (width, height) = decoder.dimensions().unwrap();
    let tiff::decoder::DecodingResult::F32(data) = decoder.read_image().unwrap() else { panic!("not of floats") };
    (width as usize, height as usize, data)
}

/// The first channel less its median along the edge.
fn above_sky(path: &Path) -> (usize, usize, Vec<f64>) {
    let (width, height, data) = read(path);
    let channels = data.len() / (width * height);
    let plane: Vec<f64> = data.iter().step_by(channels).map(|v| f64::from(*v)).collect();
    let on_edge =
        |k: usize| k.is_multiple_of(width) || k % width == width - 1 || k < width || k >= width * (height - 1);
    let mut edge: Vec<f64> = (0..plane.len()).filter(|k| on_edge(*k)).map(|k| plane[k]).collect();
    edge.sort_by(f64::total_cmp);
    let sky = edge[edge.len() / 2];
    (width, height, plane.iter().map(|v| v - sky).collect())
}

/// Rms of a picture over the truth, both scaled to one mean, where the truth is brighter than 0.55 of its top: well
/// inside the limb. Where a planet lies within a pixel is up to the registration: a small shift, `a (t + u dt/dx + v
/// dt/dy)`, is fitted by least squares and taken out.
fn flatness_error(picture: &Path, truth: &Path) -> f64 {
    let ((width, height, picture), (w, h, truth)) = (above_sky(picture), above_sky(truth));
    assert_eq!((width, height), (w, h));
    let top = truth.iter().copied().fold(0.0, f64::max);
    let inside: Vec<usize> = (0..truth.len()).filter(|k| truth[*k] > 0.55 * top).collect();
    assert!(inside.len() > 300, "{}", inside.len());
    // Rows of the model over the truth: 1, and the relative slopes.
    let row = |k: usize| {
        [1.0, (truth[k + 1] - truth[k - 1]) / (2.0 * truth[k]), (truth[k + w] - truth[k - w]) / (2.0 * truth[k])]
    };
    let mut normal = [[0.0; 4]; 3];
    for &k in &inside {
        let (row, ratio) = (row(k), picture[k] / truth[k]);
        for (i, line) in normal.iter_mut().enumerate() {
            (0..3).for_each(|j| line[j] += row[i] * row[j]);
            line[3] += row[i] * ratio;
        }
    }
    for i in 0..3 {
        let pivot = normal[i];
        for (_, line) in normal.iter_mut().enumerate().filter(|(j, _)| *j != i) {
            let factor = line[i] / pivot[i];
            (0..4).for_each(|c| line[c] -= factor * pivot[c]);
        }
    }
    let fitted = [0, 1, 2].map(|i| normal[i][3] / normal[i][i]);
    let left = |k: usize| (picture[k] / truth[k] - (0..3).map(|i| fitted[i] * row(k)[i]).sum::<f64>()) / fitted[0];
    (inside.iter().map(|k| left(*k).powi(2)).sum::<f64>() / inside.len() as f64).sqrt()
}

/// The largest excess of a pixel of the sky over the median of the 5 x 5 px about it; sky is where none of them reaches
/// a quarter of the brightest.
fn brightest_spot(path: &Path) -> f64 {
    let (width, height, data) = above_sky(path);
    let top = data.iter().copied().fold(0.0, f64::max);
    let mut most = 0.0f64;
    for (x, y) in (2..height - 2).flat_map(|y| (2..width - 2).map(move |x| (x, y))) {
        let rows = (y - 2..=y + 2).flat_map(|row| &data[row * width + x - 2..=row * width + x + 2]);
        let mut around: Vec<f64> = rows.copied().collect();
        around.sort_by(f64::total_cmp);
        if around[24] < 0.25 * top {
            most = most.max(data[y * width + x] - around[12]);
        }
    }
    most
}

#[test]
fn a_dark_is_read_as_its_capture_is() {
    // 12 bits at the high end of 16, as many cameras write them: a dark of few levels does not say so by itself.
    let here = folder("dark-alike");
    let wide = |frames: Vec<Vec<u16>>, name: &str| {
        let frames = frames.into_iter().map(|f| f.into_iter().map(|v| v << 4).collect()).collect();
        Capture::new(0, 16, frames).write(&here.join(name));
    };
    let truth = pristine(Layout::Mono, 12);
    wide(truth.iter().enumerate().map(|(n, f)| sensed(|k| f64::from(f[k]), true, n)).collect(), "a.ser");
    // Every sample the same but for one in ten: neither smooth nor rough, the lowest 8 bits never used.
    let flat = |n: usize| (0..SIDE * SIDE).map(|k| if (k + n).is_multiple_of(10) { 80 } else { 64 }).collect();
    wide((0..12).map(flat).collect(), "dark.ser");
    let (run, said) = run(&here, &["run", "quick-look", "a.ser", "dark=dark.ser"]);
    assert!(!said.err.contains("warning: "), "{}", said.err);
    let record = record(&run);
    let of = |n: usize, what: &str| record["inputs"][n]["clip"][what].clone();
    for what in ["bits", "white_level"] {
        assert_eq!(of(0, what), of(1, what), "{}", said.err);
    }
    assert_eq!(of(1, "header")["byte_order"], "little");
    assert_eq!(of(0, "bits"), 12);
}

#[test]
fn a_session_with_bias_dark_and_flat_evens_the_field() {
    let truth = pristine(Layout::Mono, 60);
    let perfect = folder("calibrated-truth");
    write(&perfect.join("a.ser"), Layout::Mono, truth.clone());
    let (perfect, _) = run(&perfect, &["run", "planet-mono", "a.ser"]);
    let raw = folder("calibrated-raw");
    write_raw(&raw, Layout::Mono, &truth);
    let (raw, _) = run(&raw, &["run", "planet-mono", "a.ser"]);
    let here = folder("calibrated");
    write_raw(&here, Layout::Mono, &truth);
    write_calibration(&here, Layout::Mono, &["bias", "dark", "flat"]);
    let (even, said) = run(&here, &["run", "planet-mono", "a.ser"]);
    for kind in ["bias", "dark", "flat"] {
        assert!(!said.err.contains(&format!("warning: {kind}")), "{}", said.err);
    }

    let error = |run: &Path| flatness_error(&run.join("results/stack.tif"), &perfect.join("results/stack.tif"));
    let (before, after) = (error(&raw), error(&even));
    // What the sensor does to a planet 36 px wide is several per cent; a tenth of it may be left.
    assert!(before > 0.03, "{before}");
    assert!(after < before / 10.0, "{before} {after}");

    // The record counts the capture's frames only, and says what each file was.
    let even = record(&even);
    assert_eq!(even["frames"]["total"], 60);
    let inputs: Vec<&str> = even["inputs"].as_array().unwrap().iter().map(|i| i["input"].as_str().unwrap()).collect();
    assert_eq!(inputs, ["clip", "bias", "dark", "flat"]);
    assert!(even["skipped"].as_array().unwrap().iter().all(|s| s["step"] == "master_flat_dark"), "{}", even["skipped"]);
    // Without a session the steps are left out, and the record says why.
    let skipped = record(&raw)["skipped"].clone();
    for step in ["darkened", "evened"] {
        let why = skipped.as_array().unwrap().iter().find(|s| s["step"] == step).unwrap()["why"].clone();
        assert!(why.as_str().unwrap().contains("was not given"), "{skipped}");
    }
}

#[test]
fn a_flat_with_a_dark_of_its_own_is_freed_from_it() {
    let truth = pristine(Layout::Mono, 60);
    let perfect = folder("flat-dark-truth");
    write(&perfect.join("a.ser"), Layout::Mono, truth.clone());
    let (perfect, _) = run(&perfect, &["run", "planet-mono", "a.ser"]);
    // Light so faint that the flat was exposed for long: a glow and a pattern of its own, five times the capture's, lie
    // under light of a few hundred steps.
    let dark_of_flat = |k: usize| 5.0 * dark_current(k % SIDE, k / SIDE).min(250.0);
    let long = |light: f64, number: usize| -> Vec<u16> {
        let pixel = |k: usize| {
            let noise = 6.0 * (mixed(k as u64, 7 + number as u64) - 0.5);
            (light * light_share(k % SIDE, k / SIDE) + BIAS + dark_of_flat(k) + noise).round().clamp(0.0, WHITE) as u16
        };
        (0..SIDE * SIDE).map(pixel).collect()
    };
    let error_with = |name: &str, wanted: &[&str]| {
        let here = folder(name);
        write_raw(&here, Layout::Mono, &truth);
        write_calibration(&here, Layout::Mono, wanted);
        write(&here.join("flat.ser"), Layout::Mono, (0..40).map(|n| long(600.0, 40_000 + n)).collect());
        write(&here.join("flat_dark.ser"), Layout::Mono, (0..40).map(|n| long(0.0, 50_000 + n)).collect());
        let (made, said) = run(&here, &["run", "planet-mono", "a.ser"]);
        assert!(!said.err.contains("warning: flat"), "{}", said.err);
        let inputs = record(&made)["inputs"].to_string();
        assert_eq!(inputs.contains("flat_dark.ser"), wanted.contains(&"flat_dark"));
        (flatness_error(&made.join("results/stack.tif"), &perfect.join("results/stack.tif")), here)
    };
    let (without, _) = error_with("flat-dark-without", &["bias", "dark", "flat"]);
    let (with, here) = error_with("flat-dark-with", &["bias", "dark", "flat", "flat_dark"]);
    assert!(with < 0.005 && with < without / 5.0, "{with} {without}");
    // It belongs to the flat: another exposure than the flat's is told, the capture's does not matter.
    let session = |name: &str, seconds: f64| {
        std::fs::write(here.join(format!("{name}.session.toml")), format!("[camera]\nexposure_s = {seconds}\n"))
            .unwrap();
    };
    let calibration = std::fs::read_to_string(here.join("session.toml")).unwrap();
    std::fs::write(here.join("a.session.toml"), format!("[camera]\nexposure_s = 0.01\n{calibration}")).unwrap();
    session("flat", 2.0);
    session("flat_dark", 2.0);
    let said = run(&here, &["run", "quick-look", "a.ser"]).1.err;
    assert!(!said.contains("flat's dark"), "{said}");
    session("flat_dark", 1.0);
    let said = run(&here, &["run", "quick-look", "a.ser"]).1.err;
    assert!(said.contains("the flat's dark was exposed 1 s, the flat 2 s"), "{said}");
}

#[test]
fn hot_pixels_of_a_mosaic_are_gone() {
    let layout = Layout::Mosaic(Pattern::Rggb);
    let truth = pristine(layout, 60);
    let perfect = folder("hot-truth");
    write(&perfect.join("a.ser"), layout, truth.clone());
    let (perfect, _) = run(&perfect, &["run", "quick-look", "a.ser"]);
    // Hot pixels that are white in every frame, on a sensor without any other fault.
    let here = folder("hot");
    let spoilt = |mut frame: Vec<u16>| {
        hot().iter().for_each(|(x, y)| frame[y * SIDE + x] = WHITE as u16);
        frame
    };
    write(&here.join("a.ser"), layout, truth.into_iter().map(spoilt).collect());
    // The same recipe without the repair, for comparison.
    let without = "schema = 1\nextends = \"quick-look\"\nwithout = [\"defects\", \"repaired\"]\n\
                   [step.grades]\nframes = \"@evened\"\n[step.shifts]\nframes = \"@evened\"\n\
                   [step.colours]\nframes = \"@evened\"\n";
    std::fs::write(here.join("without.toml"), without).unwrap();
    let (hot, _) = run(&here, &["run", "without.toml", "a.ser", "--out", "runs"]);
    let (repaired, _) = run(&here, &["run", "quick-look", "a.ser"]);
    let found = record(&repaired)["nodes"].as_array().unwrap().iter().find(|n| n["step"] == "defects").unwrap().clone();
    let count = found["entries"].as_array().unwrap().iter().find(|e| e["name"] == "defects").unwrap()["value"].clone();
    assert_eq!(count, 12.0, "{found}");

    let spot = |run: &Path| brightest_spot(&run.join("results/stack.tif"));
    let (before, after, sound) = (spot(&hot), spot(&repaired), spot(&perfect));
    assert!(before > 2.0 * sound && after < 1.1 * sound, "{before} {after} {sound}");
    let dark = (0..20).map(|n| spoilt((0..SIDE * SIDE).map(|k| ((k + n).is_multiple_of(5)) as u16).collect()));
    write(&here.join("dark.ser"), layout, dark.collect());
    std::fs::write(here.join("session.toml"), "[calibration]\ndark = \"dark.ser\"\n").unwrap();
    let (with_dark, _) = run(&here, &["run", "quick-look", "a.ser"]);
    assert!(spot(&with_dark) < 1.1 * sound, "{} {sound}", spot(&with_dark));
}

#[test]
fn masters_given_as_pictures_do_the_same_as_their_clips() {
    let here = folder("masters");
    write_raw(&here, Layout::Mono, &pristine(Layout::Mono, 20));
    write_calibration(&here, Layout::Mono, &[]);
    let stack = |run: &Path| read(&run.join("results/stack.tif"));
    let (from_clips, _) = run(&here, &["run", "quick-look", "a.ser", "dark=dark.ser", "flat=flat.ser"]);
    let plain = run(&here, &["run", "quick-look", "a.ser"]).0;
    assert_ne!(stack(&from_clips), stack(&plain));
    let mut made = Vec::new();
    for kind in ["bias", "dark", "flat"] {
        let (master, said) = run(&here, &["run", &format!("master-{kind}"), &format!("{kind}.ser")]);
        let file = master.join(format!("results/master-{kind}.tif"));
        assert!(said.out.contains(&format!("results/master-{kind}.tif")), "{}", said.out);
        let (width, height, data) = read(&file);
        assert_eq!((width, height, data.len()), (SIDE, SIDE, SIDE * SIDE));
        assert!(file.with_extension("fits").is_file());
        made.push(file);
    }
    // The mean of 40 frames of the bias: 60 steps of 4095, to 5 standard errors of noise even over 6 steps.
    let (_, _, bias) = read(&made[0]);
    let mean = bias.iter().map(|v| f64::from(*v)).sum::<f64>() / bias.len() as f64 * WHITE;
    assert!((mean - BIAS).abs() < 5.0 * 6.0 / (12.0f64 * 40.0 * bias.len() as f64).sqrt() + 0.01, "{mean}");
    for extension in ["tif", "fits"] {
        let of = |k: usize, kind: &str| format!("{kind}={}", made[k].with_extension(extension).display());
        let (run, said) = run(&here, &["run", "quick-look", "a.ser", &of(1, "dark"), &of(2, "flat")]);
        assert_eq!(stack(&run), stack(&from_clips), "{extension}");
        assert!(!said.err.contains("warning: "), "{}", said.err);
    }
}

#[test]
fn the_command_line_comes_before_the_session() {
    let here = folder("dark-order");
    write_raw(&here, Layout::Mono, &pristine(Layout::Mono, 12));
    write_calibration(&here, Layout::Mono, &["dark"]);
    let file = |run: &Path| record(run)["inputs"][1]["file"].as_str().unwrap().to_string();
    assert!(file(&run(&here, &["run", "quick-look", "a.ser"]).0).ends_with("dark.ser"));
    assert_eq!(file(&run(&here, &["run", "quick-look", "a.ser", "dark=bias.ser"]).0), "bias.ser");
}

#[test]
fn what_does_not_fit_is_refused_or_told() {
    let here = folder("misfits");
    write_raw(&here, Layout::Mono, &pristine(Layout::Mono, 12));
    write_calibration(&here, Layout::Mono, &["dark", "flat"]);
    let session = "[camera]\nexposure_s = 0.01\ngain_e_per_adu = 0.5\n[calibration]\ndark = \"dark.ser\"\n";
    std::fs::write(here.join("a.session.toml"), session).unwrap();
    let said_of = |dark: &str| {
        std::fs::write(here.join("dark.session.toml"), format!("[camera]\n{dark}\n")).unwrap();
        run(&here, &["run", "quick-look", "a.ser"]).1.err
    };
    let fits = said_of("exposure_s = 0.0104\ngain_e_per_adu = 0.503");
    assert!(!fits.contains("warning: "), "{fits}");
    let exposure = said_of("exposure_s = 0.0106");
    assert!(exposure.contains("warning: dark: the dark was exposed 0.0106 s, the capture 0.01 s"), "{exposure}");
    let gain = said_of("gain_e_per_adu = 0.25");
    assert!(gain.contains("warning: dark: the dark was taken at a gain of 0.25 electrons a step"), "{gain}");
    // A master remembers how long its frames were exposed.
    std::fs::write(here.join("dark.session.toml"), "[camera]\nexposure_s = 0.02\n").unwrap();
    let master = run(&here, &["run", "master-dark", "dark.ser"]).0.join("results/master-dark.fits");
    std::fs::remove_file(here.join("dark.session.toml")).unwrap();
    let said = run(&here, &["run", "quick-look", "a.ser", &format!("dark={}", master.display())]).1.err;
    assert!(said.contains("the dark was exposed 0.02 s, the capture 0.01 s"), "{said}");

    let eight: Vec<Vec<u16>> = (0..8).map(|n| (0..SIDE * SIDE).map(|k| 4 + ((k + n) % 3) as u16).collect()).collect();
    Capture::new(0, 8, eight.clone()).write(&here.join("eight.ser"));
    let bits = run(&here, &["run", "quick-look", "a.ser", "dark=eight.ser"]).1.err;
    assert!(bits.contains("the dark's samples have 8 bits with 255 as white, the capture's 12 with 4095"), "{bits}");

    let before = std::fs::read_dir(here.join("runs")).unwrap().count();
    let mut small = Capture::new(0, 8, eight);
    (small.width, small.height) = (SIDE as i32 / 2, SIDE as i32 * 2);
    small.write(&here.join("small.ser"));
    for kind in ["bias", "dark", "flat"] {
        let said = stillair(&here, &["run", "quick-look", "a.ser", &format!("{kind}=small.ser")]);
        assert_eq!(said.code, Some(1), "{}", said.err);
        let words = format!("small.ser: the {kind} has 32 x 128 pixels, the capture 64 x 64");
        assert!(said.err.contains(&words) && said.err.contains("same window of the sensor"), "{}", said.err);
    }
    assert_eq!(std::fs::read_dir(here.join("runs")).unwrap().count(), before, "refused before any work");
}

#[test]
fn an_exposure_that_changes_in_mid_clip_still_gives_the_planet() {
    let truth = pristine(Layout::Mono, 60);
    let steady = folder("exposure-steady");
    write(&steady.join("a.ser"), Layout::Mono, truth.clone());
    let (steady, _) = run(&steady, &["run", "planet-mono", "a.ser"]);
    let here = folder("exposure-changes");
    let longer = |frame: &Vec<u16>| frame.iter().map(|v| (f64::from(*v) * 1.4).round().min(WHITE) as u16).collect();
    let half = truth.len() / 2;
    let frames = truth[..half].iter().cloned().chain(truth[half..].iter().map(longer)).collect();
    write(&here.join("a.ser"), Layout::Mono, frames);
    let (changed, said) = run(&here, &["run", "planet-mono", "a.ser"]);
    let words = "from frame 30 on the target is 1.";
    assert!(said.err.lines().any(|l| l.starts_with("warning: ") && l.contains(words)), "{}", said.err);
    assert!(record(&changed)["warnings"].to_string().contains(words));
    let used = record(&changed)["frames"]["used"].as_u64().unwrap();
    assert!(used >= 20, "{used} of 60 frames used");
    let (one, other) = (changed.join("results/stack.tif"), steady.join("results/stack.tif"));
    assert!(read(&one).2.iter().all(|v| v.is_finite()));
    // The shape of the planet is what it was: other frames with other weights make up what differs.
    let error = flatness_error(&one, &other);
    assert!(error < 0.03, "{error}");
}
