//! Registration against exact displacements, scikit-image's results, and the noise bound.

use crate::common::load;
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use stillair_maths::fft::{Complex32, Fft2};
use stillair_maths::registration::{
    BandSet, CoarseScratch, NewtonScratch, RigidReference, RigidScratch, coarse_shift, correlation_at, newton_shift,
    shift_covariance, whitening,
};
use stillair_maths::resample::{Kernel, Prepared, Similarity, affine_window};

const N: usize = 64;

fn spectrum(plan: &Fft2, picture: &[f32]) -> Vec<Complex32> {
    let mut out = plan.spectrum();
    plan.forward(picture, &mut out, &mut plan.scratch());
    out
}

/// `(dx, dy)` of the six moved pictures: exact by construction, and found within 0.01 px by
/// skimage.registration.phase_cross_correlation 0.26.0.
const TRUTH: [(f64, f64); 6] = [(0.0, 0.0), (-2.0, 1.0), (0.25, 0.5), (2.7, -3.3), (-0.1, 0.1), (-5.6, 6.4)];

#[test]
fn displaced_pictures_are_found_within_a_twentieth_of_a_pixel() {
    let (_, reference) = load("register_reference");
    let plan = Fft2::new(N, N);
    let r = spectrum(&plan, &reference);
    for w in [0.0, 0.5] {
        let bands = BandSet::new(N, N, 0.03, 0.24);
        let rb = bands.gather(&r);
        let weights = whitening(&bands, &rb, w);
        for (i, (dx, dy)) in TRUTH.into_iter().enumerate() {
            let (_, moved) = load(&format!("register_moved_{i}"));
            let f = spectrum(&plan, &moved);
            let coarse = coarse_shift(&plan, &f, &r, w, (0.01, 0.3), 20.0, &mut CoarseScratch::default()).unwrap();
            assert!((coarse.dx - dx).abs() < 0.5 && (coarse.dy - dy).abs() < 0.5, "{coarse:?}");
            let mut scratch = NewtonScratch::default();
            let fb = bands.gather(&f);
            let start = (coarse.dx, coarse.dy);
            let fit = newton_shift(&bands, &fb, &rb, &weights, start, 8, &mut scratch);
            assert!((fit.dx - dx).abs() < 0.05 && (fit.dy - dy).abs() < 0.05, "case {i} w {w}: {fit:?}");
            assert!(fit.converged && fit.correlation > 0.9, "{fit:?}");
            // The maximum of c by plain evaluation lies where Newton's method ended.
            let at = |x: f64, y: f64, s: &mut NewtonScratch| {
                correlation_at(&bands, &fb, &rb, &weights, (fit.dx + x, fit.dy + y), s)
            };
            let top = at(0.0, 0.0, &mut scratch);
            for (x, y) in [(0.05, 0.0), (-0.05, 0.0), (0.0, 0.05), (0.0, -0.05)] {
                assert!(at(x, y, &mut scratch) < top);
            }
        }
    }
}

// Cramer-Rao bound, cov^-1 = sum grad I grad I^T / sigma^2: plain correlation against a
// noiseless reference reaches it; 400 draws give its standard deviation to 3.5 %.
#[test]
fn plain_correlation_reaches_the_noise_bound() {
    let (_, reference) = load("register_reference");
    let plan = Fft2::new(N, N);
    let r = spectrum(&plan, &reference);
    let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(7);
    // Half-whitening leaves the linear regime earlier, hence the lower noise.
    for (w, high, sigma) in [(0.0, 0.5, 20.0), (0.5, 0.24, 2.0)] {
        let bands = BandSet::new(N, N, 0.0, high);
        let rb = bands.gather(&r);
        let weights = whitening(&bands, &rb, w);
        let bound = shift_covariance(&bands, &rb, &weights, sigma * sigma * (N * N) as f64);
        let (mut xx, mut yy, mut x_mean) = (0.0, 0.0, 0.0);
        let draws = 400;
        for _ in 0..draws {
            let noisy: Vec<f32> = reference
                .iter()
                .map(|v| {
                    let n: f64 = StandardNormal.sample(&mut random);
                    v + (sigma * n) as f32
                })
                .collect();
            let fb = bands.gather(&spectrum(&plan, &noisy));
            let mut scratch = NewtonScratch::default();
            let fit = newton_shift(&bands, &fb, &rb, &weights, (0.3, -0.3), 8, &mut scratch);
            xx += fit.dx * fit.dx;
            yy += fit.dy * fit.dy;
            x_mean += fit.dx;
        }
        let (sx, sy) = ((xx / draws as f64).sqrt(), (yy / draws as f64).sqrt());
        let (bx, by) = (bound[0][0].sqrt(), bound[1][1].sqrt());
        assert!((sx / bx - 1.0).abs() < 0.12, "w {w}: {sx} against {bx}");
        assert!((sy / by - 1.0).abs() < 0.12, "w {w}: {sy} against {by}");
        assert!((x_mean / draws as f64).abs() < 0.2 * sx);
    }
    // The bound in the picture domain, central differences being exact enough here.
    let (mut gxx, mut gyy) = (0.0, 0.0);
    let (mut gx, mut gy) = (vec![0.0; N * N], vec![0.0; N * N]);
    stillair_maths::filters::gradient(&reference, N, N, &mut gx, &mut gy);
    for (a, b) in gx.iter().zip(&gy) {
        gxx += f64::from(a * a);
        gyy += f64::from(b * b);
    }
    let sigma = 20.0;
    let bands = BandSet::new(N, N, 0.0, 0.5);
    let rb = bands.gather(&r);
    let weights = whitening(&bands, &rb, 0.0);
    let bound = shift_covariance(&bands, &rb, &weights, sigma * sigma * (N * N) as f64);
    assert!((bound[0][0] * gxx / (sigma * sigma) - 1.0).abs() < 0.15);
    assert!((bound[1][1] * gyy / (sigma * sigma) - 1.0).abs() < 0.15);
}

#[test]
fn a_small_rotation_is_recovered() {
    let (_, reference) = load("register_reference");
    let centre = (31.5, 31.5);
    let model = RigidReference::new(&reference, N, N, 1.0, centre, 8).unwrap();
    // frame(centre + d + R(angle)(x - centre)) = reference(x): sample the reference through
    // the inverse.
    let (dx, dy, angle) = (0.8_f64, -0.6_f64, 0.03_f64);
    let (sin, cos) = angle.sin_cos();
    let back = (centre.0 - (cos * dx + sin * dy), centre.1 - (-sin * dx + cos * dy));
    let map = Similarity { centre, target: back, angle_rad: -angle, scale: 1.0 };
    let mut prepared = Prepared::new(Kernel::CubicBSpline);
    prepared.load(&reference, N, N);
    let mut frame = vec![0.0; N * N];
    affine_window(&mut prepared, &map, None, N, N, &mut frame);
    for v in &mut frame {
        *v = 0.7 * *v + 5.0;
    }
    let fit = model.refine(&frame, (0.0, 0.0, 0.0), 15, &mut RigidScratch::default()).unwrap();
    assert!((fit.dx - dx).abs() < 0.02 && (fit.dy - dy).abs() < 0.02, "{fit:?}");
    assert!((fit.angle_rad - angle).abs() < 5e-4, "{fit:?}");
    assert!((fit.gain - 0.7).abs() < 0.01, "{fit:?}");
    assert!(RigidReference::new(&vec![1.0; N * N], N, N, 1.0, centre, 8).is_none());
}

#[test]
fn nothing_to_see_gives_the_start_back() {
    let plan = Fft2::new(N, N);
    let zero = plan.spectrum();
    let bands = BandSet::new(N, N, 0.03, 0.24);
    let list = bands.gather(&zero);
    let weights = whitening(&bands, &list, 0.5);
    let mut scratch = NewtonScratch::default();
    let fit = newton_shift(&bands, &list, &list, &weights, (1.0, 2.0), 5, &mut scratch);
    assert_eq!((fit.dx, fit.dy, fit.correlation), (1.0, 2.0, 0.0));
    let mut coarse = CoarseScratch::default();
    assert!(coarse_shift(&plan, &zero, &zero, 0.5, (0.0, 0.3), 9.0, &mut coarse).is_none());
}
