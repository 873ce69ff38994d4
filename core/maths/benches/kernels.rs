//! Cost of the per-frame kernels: `cargo bench -p stillair-maths`.

use divan::{Bencher, black_box};
use stillair_maths::border::Border;
use stillair_maths::fft::Fft2;
use stillair_maths::registration::{BandSet, NewtonScratch, newton_shift, whitening};
use stillair_maths::resample::{Kernel, Prepared, Similarity, affine_window, shift_window};
use stillair_maths::{filters, mosaic};

fn main() {
    divan::main();
}

fn picture(n: usize) -> Vec<f32> {
    (0..n * n)
        .map(|i| {
            let (x, y) = ((i % n) as f32 / n as f32 - 0.5, (i / n) as f32 / n as f32 - 0.5);
            let ripple = ((i * 7919) % 101) as f32 / 101.0;
            (if x * x + y * y < 0.1 { 200.0 + 40.0 * (20.0 * y).sin() } else { 5.0 }) + ripple
        })
        .collect()
}

#[divan::bench(args = [64, 128, 256])]
fn fft_forward(bencher: Bencher, n: usize) {
    let plan = Fft2::new(n, n);
    let (source, mut spectrum, mut scratch) = (picture(n), plan.spectrum(), plan.scratch());
    bencher.bench_local(|| plan.forward(black_box(&source), &mut spectrum, &mut scratch));
}

#[divan::bench(args = [Kernel::Bilinear, Kernel::CubicBSpline, Kernel::Lanczos4])]
fn shift_window_128_of_512(bencher: Bencher, kernel: Kernel) {
    let source = picture(512);
    let mut prepared = Prepared::new(kernel);
    let mut out = vec![0.0; 128 * 128];
    bencher.bench_local(|| {
        let source = black_box(&source);
        shift_window(source, 512, 512, 190.3, 201.7, 128, 128, &mut prepared, &mut out);
    });
}

#[divan::bench(args = [Kernel::Bilinear, Kernel::CubicBSpline, Kernel::Lanczos4])]
fn affine_128(bencher: Bencher, kernel: Kernel) {
    let source = picture(128);
    let mut prepared = Prepared::new(kernel);
    let mut out = vec![0.0; 128 * 128];
    let map = Similarity { centre: (64.0, 64.0), target: (64.3, 63.8), angle_rad: 0.02, scale: 1.0 };
    bencher.bench_local(|| {
        prepared.load(black_box(&source), 128, 128);
        affine_window(&mut prepared, &map, None, 128, 128, &mut out);
    });
}

#[divan::bench(args = [64, 128, 192])]
fn newton_five_steps(bencher: Bencher, n: usize) {
    let plan = Fft2::new(n, n);
    let bands = BandSet::new(n, n, 0.03, 0.24);
    let mut scratch = plan.scratch();
    let mut spectrum = plan.spectrum();
    let source = picture(n);
    plan.forward(&source, &mut spectrum, &mut scratch);
    let reference = bands.gather(&spectrum);
    let mut moved = vec![0.0; n * n];
    let mut prepared = Prepared::new(Kernel::CubicBSpline);
    shift_window(&source, n, n, 0.4, -0.7, n, n, &mut prepared, &mut moved);
    plan.forward(&moved, &mut spectrum, &mut scratch);
    let frame = bands.gather(&spectrum);
    let weights = whitening(&bands, &reference, 0.5);
    let mut newton = NewtonScratch::default();
    bencher
        .counter(divan::counter::ItemsCount::new(bands.count()))
        .bench_local(|| newton_shift(&bands, black_box(&frame), &reference, &weights, (1.5, 1.0), 5, &mut newton));
}

#[divan::bench(args = [1.0, 2.0])]
fn gaussian_256(bencher: Bencher, sigma: f64) {
    let source = picture(256);
    let (mut out, mut scratch) = (vec![0.0; 256 * 256], Vec::new());
    bencher.bench_local(|| {
        filters::gaussian(black_box(&source), 256, 256, sigma, Border::Reflect, &mut out, &mut scratch)
    });
}

#[divan::bench]
fn median3_256(bencher: Bencher) {
    let source = picture(256);
    let (mut out, mut scratch) = (vec![0.0; 256 * 256], Vec::new());
    bencher.bench_local(|| filters::median3(black_box(&source), 256, 256, Border::Reflect, &mut out, &mut scratch));
}

#[divan::bench]
fn sobel_256(bencher: Bencher) {
    let source = picture(256);
    let (mut out, mut scratch) = (vec![0.0; 256 * 256], Vec::new());
    bencher.bench_local(|| {
        filters::sobel_magnitude(black_box(&source), 256, 256, Border::Reflect, &mut out, &mut scratch)
    });
}

#[divan::bench]
fn green_interpolate_512(bencher: Bencher) {
    let source = picture(512);
    let mut out = vec![0.0; 512 * 512];
    bencher.bench_local(|| mosaic::green_interpolate(black_box(&source), 512, 512, 1, &mut out));
}
