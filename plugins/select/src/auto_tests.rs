use std::sync::Arc;

use super::*;
use crate::choice::tests::graded;
use stillair_api::testing::TestContext;
use stillair_api::{Facts, columns, contract};

const SIDE: usize = 64;
const BANDS: usize = 5;
const FRAMES: usize = 100;

/// Standard normal numbers: sums of twelve uniform ones (Knuth's MMIX multiplier).
fn normals(seed: u64) -> impl FnMut() -> f32 {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    move || {
        (0..12).fold(-6.0_f32, |sum, _| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum + (state >> 40) as f32 / 16_777_216.0
        })
    }
}

/// Bands of a white scene of unit variance; `clear[b]`: share of the scene that band b shows. Frames have noise of
/// variance 20, and the bands hold 4, 12, 20, 28 and 36 of them.
fn bands_of(clear: [f32; BANDS]) -> Image {
    let mut normal = normals(7);
    let scene: Vec<f32> = (0..SIDE * SIDE).map(|_| normal()).collect();
    let mut image = Image::new(SIDE, SIDE * BANDS, 1);
    image.data.clear();
    let mut halves = [Vec::new(), Vec::new()];
    for (frames, clear) in [4.0_f32, 12.0, 20.0, 28.0, 36.0].into_iter().zip(clear) {
        let sigma = (20.0 / (0.5 * frames)).sqrt();
        for half in &mut halves {
            half.extend(scene.iter().map(|s| clear * s + sigma * normal()));
        }
    }
    image.data = halves[0].iter().zip(&halves[1]).map(|(a, b)| 0.5 * (a + b)).collect();
    image.halves = Some(halves);
    image.info.reference_px = [0.5 * (SIDE as f64 - 1.0); 2];
    image
}

/// Grades from 1 at the best frame down to `last`, frame 0 the best.
fn grades(last: f64) -> Vec<f64> {
    (0..FRAMES).map(|i| 1.0 - (1.0 - last) * i as f64 / (FRAMES - 1) as f64).collect()
}

fn run(image: Image, grades: &[f64], give: f64) -> (Outcome<Vec<f64>>, TestContext) {
    let mut parameters = Auto.describe().defaults();
    parameters.0.insert("give".into(), stillair_api::ParameterValue::Number(give));
    let Ok(Node::Transform(node)) = Auto.create(&parameters, &Facts::default()) else { panic!("no node") };
    let context = TestContext::default();
    let bound = Bound::default()
        .with("table", Value::Table(Arc::new(graded(grades, None))))
        .with("images", Value::Image(Arc::new(image)));
    let weights = node.run(&context, &bound).map(|values| match &values[0] {
        Value::Table(table) => table.values(columns::WEIGHT).unwrap().to_vec(),
        _ => panic!("a choice gives a table"),
    });
    (weights, context)
}

#[test]
fn the_description_keeps_its_contract() {
    assert_eq!(contract::breaches(&Auto.describe()), Vec::<String>::new());
}

// A scene of unit variance in noise of variance 20 / 100: SSNR 5 in the mean of all frames, so that each of the
// independent coefficients carries log2 6 = 2.585 bit (Shannon 1949).
#[test]
fn frames_alike_are_all_kept_and_carry_what_shannon_says() {
    let (weights, context) = run(bands_of([1.0; BANDS]), &grades(0.2), 0.0);
    assert!(weights.unwrap().iter().all(|w| *w == 1.0));
    assert_eq!(context.number("power"), Some(0.0));
    let rings = Rings::new(SIDE, SIDE);
    let coefficients: f64 = (0..rings.count())
        .filter(|i| (UNKNOWN_BAND.0..=UNKNOWN_BAND.1).contains(&rings.frequency(*i)))
        .map(|i| 0.5 * rings.counts()[i])
        .sum();
    let each = context.number("information").unwrap() / coefficients;
    // The scatter of the correlation over some 2000 coefficients is 3 % of a bit.
    assert!((each / libm::log2(6.0) - 1.0).abs() < 0.05, "{each}");
}

// The last two bands show nothing of the scene: 36 frames of noise less.
#[test]
fn frames_that_show_nothing_are_left_out() {
    let (weights, context) = run(bands_of([1.0, 1.0, 1.0, 0.0, 0.0]), &grades(0.9), 0.0);
    let weights = weights.unwrap();
    assert!(weights[..36].iter().all(|w| *w > 0.0) && weights[36..].iter().all(|w| *w == 0.0));
    assert_eq!(context.number("keep"), Some(0.36));
}

// With noise alike the best weight is in proportion to what a band shows (matched filter, North 1943).
#[test]
fn weights_follow_what_the_bands_show() {
    let grades = grades(0.1);
    let clear: [f32; BANDS] = std::array::from_fn(|b| {
        let ends = [0, 4, 16, 36, 64, 100];
        (grades[ends[b]..ends[b + 1]].iter().sum::<f64>() / (ends[b + 1] - ends[b]) as f64) as f32
    });
    let (_, context) = run(bands_of(clear), &grades, 0.0);
    let power = context.number("power").unwrap();
    assert!((0.5..=1.5).contains(&power), "{power}");
    let words = context
        .entries
        .lock()
        .unwrap()
        .iter()
        .any(|e| matches!(e, Entry::Text { name, value } if name == "choice" && value.contains("grade^")));
    assert!(words);
}

#[test]
fn information_may_be_given_up_for_fewer_frames() {
    let keep = |give: f64| run(bands_of([1.0, 0.9, 0.8, 0.7, 0.6]), &grades(0.5), give).1.number("keep").unwrap();
    assert!(keep(25.0) < keep(0.0));
}

#[test]
fn a_picture_of_another_kind_is_refused_in_words() {
    let mut image = bands_of([1.0; BANDS]);
    image.info.reference_px = [31.5, 70.0];
    assert!(run(image, &grades(0.5), 0.0).0.unwrap_err().to_string().contains("stack.bins"));
    let words = run(bands_of([1.0; BANDS]), &grades(0.5)[..6], 0.0).0.unwrap_err().to_string();
    assert!(words.contains("5 bands"), "{words}");
}

#[test]
fn halves_that_agree_on_nothing_keep_everything() {
    let mut image = bands_of([0.0; BANDS]);
    for half in image.halves.as_mut().unwrap() {
        half.fill(0.0);
    }
    let (weights, context) = run(image, &grades(0.5), 0.0);
    assert!(weights.unwrap().iter().all(|w| *w == 1.0));
    assert_eq!(context.warnings.lock().unwrap().len(), 1);
}

#[test]
fn what_tells_hardly_more_gives_way_to_all_frames_alike() {
    let line = |power: f64, bits: [f64; 3]| -> Vec<Trial> {
        bits.into_iter().enumerate().map(|(i, bits)| Trial { bands: i + 1, power, bits }).collect()
    };
    let of = |best: f64, give: f64| {
        choose(&[line(0.0, [60.0, 90.0, 100.0]), line(2.0, [50.0, 80.0, best])], give).map(|t| (t.bands, t.power))
    };
    assert_eq!(of(101.0, 0.0), Some((3, 0.0)));
    assert_eq!(of(102.0, 0.0), Some((3, 2.0)));
    // Whoever gives information up for a crisper stack gets it.
    assert_eq!(of(101.0, 0.2), Some((2, 0.0)));
}
