//! Times of `sharpen.wiener` and `sharpen.starlet` on a banded disc.

use std::sync::Arc;

use divan::Bencher;
use stillair_api::testing::TestContext;
use stillair_api::{Bound, FactOrigin, FactValue, Facts, Image, Node, Value};

fn main() {
    divan::main();
}

fn stack(width: usize, height: usize) -> Image {
    let mut image = Image::new(width, height, 3);
    let radius = 0.36 * height as f64;
    let area = width * height;
    let mut state = 1_u64;
    let mut noise = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f32 / 16_777_216.0 - 0.5
    };
    let mut halves = [Vec::new(), Vec::new()];
    for half in &mut halves {
        for i in 0..3 * area {
            let (x, y) = ((i % area % width) as f64, (i % area / width) as f64);
            let (u, v) = ((x - 0.5 * width as f64) / radius, (y - 0.5 * height as f64) / (0.94 * radius));
            // A soft edge stands for the blur.
            let edge = 1.0 / (1.0 + ((u.hypot(v) - 1.0) * radius / 0.9).exp());
            let bands = 1.0 - 0.1 * (9.0 * v).cos();
            half.push((0.01 + 0.5 * edge * bands) as f32 + 0.004 * noise());
        }
    }
    image.data = halves[0].iter().zip(&halves[1]).map(|(a, b)| 0.5 * (a + b)).collect();
    image.halves = Some(halves);
    image.info.from_mosaic = true;
    image
}

fn run(bencher: Bencher<'_, '_>, method: &str, width: usize, height: usize) {
    let mut facts = Facts::default();
    for (name, value) in [
        ("telescope.aperture_mm", 105.0),
        ("telescope.obstruction", 0.33),
        ("telescope.focal_mm", 1355.0),
        ("camera.pixel_um", 3.76),
    ] {
        facts.set(name, FactValue::Number(value), FactOrigin::Session);
    }
    let plugin = stillair_sharpen::plugin();
    let Some(found) = plugin.methods.iter().find(|m| m.describe().method == method) else { return };
    let Ok(Node::Transform(node)) = found.create(&found.describe().defaults(), &facts) else { return };
    let bound = Bound::default().with("image", Value::Image(Arc::new(stack(width, height))));
    bencher.bench_local(|| node.run(&TestContext::default(), &bound).map(|v| v.len()));
}

#[divan::bench(args = [(128, 112), (512, 512)], sample_count = 10)]
fn wiener(bencher: Bencher<'_, '_>, (width, height): (usize, usize)) {
    run(bencher, "sharpen.wiener", width, height);
}

#[divan::bench(args = [(128, 112), (512, 512)], sample_count = 10)]
fn starlet(bencher: Bencher<'_, '_>, (width, height): (usize, usize)) {
    run(bencher, "sharpen.starlet", width, height);
}

#[divan::bench(args = [(128, 112), (512, 512)], sample_count = 10)]
fn unsharp(bencher: Bencher<'_, '_>, (width, height): (usize, usize)) {
    run(bencher, "sharpen.unsharp", width, height);
}
