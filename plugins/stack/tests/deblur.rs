//! Stacks that look at more than the mean: bands of grades, and frames of different blur.

use std::sync::Arc;

use stillair_api::testing::{TestContext, clip_info, run_reduce};
use stillair_api::{
    Bound, ColumnSpec, Facts, Frame, GlobalRow, Image, Layout, Motion, Node, ParameterValue, Reduce, Region, Table,
    Value, columns,
};

const SIDE: usize = 64;

fn reduce(name: &str, set: &[(&str, ParameterValue)]) -> Box<dyn Reduce> {
    let method = stillair_stack::plugin().methods.into_iter().find(|m| m.describe().method == name).unwrap();
    let mut parameters = method.describe().defaults();
    for (key, value) in set {
        parameters.0.insert((*key).into(), value.clone());
    }
    match method.create(&parameters, &Facts::default()).unwrap() {
        Node::Reduce(node) => node,
        _ => panic!("a stack is a reduce"),
    }
}

/// A number from 0 to 1 for a counter (Knuth's MMIX multiplier, twice).
fn uniform(counter: u64) -> f64 {
    let step = |v: u64| v.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (step(step(counter.wrapping_mul(0x9E37_79B9_7F4A_7C15)) ^ (counter << 7)) >> 11) as f64 / (1_u64 << 53) as f64
}

fn normal(counter: u64) -> f64 {
    (0..12).map(|i| uniform(12 * counter + i)).sum::<f64>() - 6.0
}

/// A textured disc with a limb, about the middle.
fn scene(x: f64, y: f64) -> f64 {
    let disc = 1.0 / (1.0 + ((x.hypot(1.05 * y) - 18.0) / 0.6).exp());
    let wave = |u: f64, v: f64, p: f64| (2.0 * std::f64::consts::PI * (u * x + v * y) + p).cos();
    let texture = wave(0.13, 0.02, 0.3) + wave(-0.05, 0.19, 1.0) + wave(0.06, 0.03, 2.0) + wave(0.24, -0.1, 0.5);
    disc * (0.5 + 0.05 * texture)
}

/// Share and offset of the second image of frame `k`: the air drew every frame double, each along its own way.
fn double(k: usize) -> (f64, f64, f64) {
    let (share, turn) = (0.15 + 0.5 * uniform(7 * k as u64 + 1), std::f64::consts::TAU * uniform(7 * k as u64 + 2));
    (share, 2.0 * turn.cos(), 2.0 * turn.sin())
}

/// What frame `k` shows without noise.
fn shown(k: usize, x: f64, y: f64) -> f64 {
    let (share, u, v) = double(k);
    (1.0 - share) * scene(x + share * u, y + share * v) + share * scene(x + share * u - u, y + share * v - v)
}

fn frames(n: usize, noise: f64) -> Vec<Frame> {
    let one = |k: usize| {
        let mut frame = Frame::empty();
        frame.reshape(k, Region::whole(SIDE, SIDE), Layout::Mono);
        for (i, value) in frame.plane_mut(0).iter_mut().enumerate() {
            let (x, y) = ((i % SIDE) as f64 - 31.5, (i / SIDE) as f64 - 31.5);
            *value = (shown(k, x, y) + noise * normal((k * SIDE * SIDE + i) as u64)) as f32;
        }
        frame
    };
    (0..n).map(one).collect()
}

/// Weights of 1, or given ones, and grades that fall with the share of the second image.
fn bound(n: usize, weights: Option<&[f64]>) -> Bound {
    let info = clip_info(n, SIDE, SIDE, Layout::Mono);
    let mut table = Table::for_frames(&info.time_s, info.exposure_s);
    table.push(ColumnSpec::number(columns::WEIGHT, "", ""), weights.map_or(vec![1.0; n], <[f64]>::to_vec));
    table.push(ColumnSpec::number("grade_projection", "", ""), (0..n).map(|k| 1.0 - double(k).0).collect());
    let rows = vec![GlobalRow::at(31.5, 31.5); n];
    let motion = Motion { global: Some(rows), ..Motion::default() };
    Bound::default().with("table", Value::Table(Arc::new(table))).with("motion", Value::Motion(Arc::new(motion)))
}

fn stack(
    name: &str,
    set: &[(&str, ParameterValue)],
    bound: &Bound,
    frames: &[Frame],
    context: &TestContext,
) -> Arc<Image> {
    let info = clip_info(frames.len(), SIDE, SIDE, Layout::Mono);
    match &run_reduce(&*reduce(name, set), context, bound, &info, frames).unwrap()[..] {
        [Value::Image(image)] => image.clone(),
        other => panic!("{other:?}"),
    }
}

/// Rms difference within 20 px of the middle.
fn error(a: &[f32], b: &[f32]) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for (i, (a, b)) in a.iter().zip(b).enumerate() {
        if (i % SIDE).abs_diff(32).max((i / SIDE).abs_diff(32)) < 20 {
            sum += f64::from(a - b).powi(2);
            n += 1.0;
        }
    }
    (sum / f64::max(n, 1.0)).sqrt()
}

// Sums are linear: the bands' stacks, each with the sum of its weights, add up to the weighted mean of all.
#[test]
fn bands_add_up_to_the_mean() {
    let n = 30;
    let frames = frames(n, 0.01);
    let weights: Vec<f64> = (0..n).map(|k| if k == 4 { 0.0 } else { 0.2 + uniform(900 + k as u64) }).collect();
    let bound = bound(n, Some(&weights));
    let context = TestContext::default();
    let all = stack("stack.mean", &[], &bound, &frames, &context);
    let bands = stack("stack.bins", &[("bands", ParameterValue::Integer(4))], &bound, &frames, &context);
    assert_eq!((bands.width, bands.height, bands.info.frames_used), (SIDE, 4 * SIDE, 29));
    let mut order: Vec<usize> = (0..n).filter(|k| *k != 4).collect();
    order.sort_by(|a, b| double(*a).0.total_cmp(&double(*b).0));
    // 29 (b / 4)^2: 1.8, 7.25, 16.3, 29.
    let ends = [0, 2, 7, 16, 29];
    let of_band = |b: usize| order[ends[b]..ends[b + 1]].iter().map(|k| weights[*k]).sum::<f64>();
    let total: f64 = (0..4).map(of_band).sum();
    for i in 0..SIDE * SIDE {
        let sum: f64 = (0..4).map(|b| of_band(b) / total * f64::from(bands.data[b * SIDE * SIDE + i])).sum();
        assert!((sum - f64::from(all.data[i])).abs() < 1e-5, "{i}: {sum} {}", all.data[i]);
    }
}

// Held against the mean of frames without noise, which has the same transfer.
#[test]
fn frames_of_different_blur_gain_on_their_mean() {
    let n = 160;
    let (noisy, clear) = (frames(n, 0.03), frames(n, 0.0));
    let bound = bound(n, None);
    let context = TestContext::default();
    let truth = stack("stack.mean", &[], &bound, &clear, &context);
    let mean = stack("stack.mean", &[], &bound, &noisy, &context);
    let least = stack("stack.deblur", &[], &bound, &noisy, &context);
    assert!(context.number("blur-told").unwrap() > 1.0 && context.number("directions").unwrap() >= 2.0);
    let (before, after) = (error(&mean.data, &truth.data), error(&least.data, &truth.data));
    assert!(after < before, "{before} -> {after}");
    // The halves stay apart: they scatter about the picture as two halves do.
    let [a, b] = least.halves.as_ref().unwrap();
    let apart = error(a, b) / 2.0;
    assert!(apart > 0.5 * after && apart < 2.0 * after, "{apart} {after}");
    // Low frequencies are those of the mean, each half's of the mean's half: means over 8 x 8 px keep their scatter.
    let blocks = |image: &Image| -> f64 {
        let [a, b] = image.halves.as_ref().unwrap();
        let mut sums = [0.0; SIDE * SIDE / 64];
        for (i, (a, b)) in a.iter().zip(b).enumerate() {
            sums[i / SIDE / 8 * (SIDE / 8) + i % SIDE / 8] += f64::from(a - b);
        }
        sums.iter().map(|s| s * s).sum()
    };
    let kept = blocks(&least) / blocks(&mean);
    assert!((0.9..1.1).contains(&kept), "{kept}");
}

#[test]
fn blur_that_noise_hides_gives_the_mean_and_says_so() {
    // In patches too: 13 lambda/D are 32 px here.
    for (n, patch) in [(40, 0.0), (200, 13.0)] {
        let frames = frames(n, 0.5);
        let bound = bound(n, None);
        let context = TestContext::default();
        let mean = stack("stack.mean", &[], &bound, &frames, &context);
        let set = [("patch", ParameterValue::Number(patch))];
        let least = stack("stack.deblur", &set, &bound, &frames, &context);
        assert!(error(&mean.data, &least.data) < 1e-4, "{patch}");
        assert!(context.warnings.lock().unwrap().iter().any(|w| w.contains("weighted mean")));
        assert!(least.info.history[0].contains("not told from noise"));
    }
}

/// Frames of a surface that fills the field, 128 x 64 px; the air drew each half of each frame double by itself.
fn wide_frames(n: usize, noise: f64) -> Vec<Frame> {
    let (width, height) = (2 * SIDE, SIDE);
    let surface = |x: f64, y: f64| {
        let wave = |u: f64, v: f64, p: f64| (std::f64::consts::TAU * (u * x + v * y) + p).cos();
        let low = wave(0.03, 0.02, 0.3) + wave(-0.05, 0.06, 1.0) + wave(0.09, -0.04, 2.0) + wave(0.02, 0.11, 4.0);
        let high = wave(0.19, 0.05, 0.5) + wave(-0.13, 0.17, 3.0) + wave(0.07, -0.24, 1.7);
        0.5 + 0.04 * low + 0.03 * high
    };
    let one = |k: usize| {
        let mut frame = Frame::empty();
        frame.reshape(k, Region::whole(width, height), Layout::Mono);
        let sides = [double(k), double(k + 10_000)];
        for (i, value) in frame.plane_mut(0).iter_mut().enumerate() {
            let (x, y) = ((i % width) as f64, (i / width) as f64);
            let right = 1.0 / (1.0 + (-(x - 63.5) / 4.0).exp());
            let shown = sides.map(|(share, u, v)| {
                (1.0 - share) * surface(x + share * u, y + share * v)
                    + share * surface(x + share * u - u, y + share * v - v)
            });
            let noise = noise * normal((k * width * height + i) as u64);
            *value = ((1.0 - right) * shown[0] + right * shown[1] + noise) as f32;
        }
        frame
    };
    (0..n).map(one).collect()
}

// Held against the mean of frames without noise: where each half of the field is blurred by itself, one blur for all is
// mistaken about both, and patches much less.
#[test]
fn blur_that_differs_over_the_field_is_told_in_patches() {
    let n = 160;
    let (width, height) = (2 * SIDE, SIDE);
    let info = clip_info(n, width, height, Layout::Mono);
    let mut table = Table::for_frames(&info.time_s, info.exposure_s);
    table.push(ColumnSpec::number(columns::WEIGHT, "", ""), vec![1.0; n]);
    let motion = Motion { global: Some(vec![GlobalRow::at(63.5, 31.5); n]), ..Motion::default() };
    let bound =
        Bound::default().with("table", Value::Table(Arc::new(table))).with("motion", Value::Motion(Arc::new(motion)));
    let context = TestContext::default();
    let stacked = |name: &str, patch: Option<f64>, noise: f64| {
        let set: Vec<(&str, ParameterValue)> =
            patch.map(|p| ("patch", ParameterValue::Number(p))).into_iter().collect();
        match &run_reduce(&*reduce(name, &set), &context, &bound, &info, &wide_frames(n, noise)).unwrap()[..] {
            [Value::Image(image)] => image.clone(),
            other => panic!("{other:?}"),
        }
    };
    let truth = stacked("stack.mean", None, 0.0);
    let rms = |image: &Image| {
        let inside = |i: &usize| {
            let (x, y) = (i % width, i / width);
            (12..width - 12).contains(&x) && (12..height - 12).contains(&y) && x.abs_diff(width / 2) > 8
        };
        let (sum, count) = (0..width * height)
            .filter(inside)
            .fold((0.0, 0.0), |(s, c), i| (s + f64::from(image.data[i] - truth.data[i]).powi(2), c + 1.0));
        (sum / f64::max(count, 1.0)).sqrt()
    };
    let noise = 0.02;
    let whole = rms(&stacked("stack.deblur", Some(0.0), noise));
    let patches = rms(&stacked("stack.deblur", Some(13.0), noise));
    assert!(context.number("patches-told").unwrap() >= 4.0);
    assert!(patches < 0.8 * whole, "whole {whole}, patches {patches}");
}
