//! Resampling against scipy.ndimage, and the kernels' transfer against published formulas.

use crate::common::{load, worst};
use stillair_maths::bspline::bspline_prefilter;
use stillair_maths::resample::{Kernel, Prepared, Similarity, affine_window, covered, shift_window};

// scipy.ndimage.shift(img, (0.3, -0.7), order=3, mode='nearest'): content moves by +0.3 rows
// and -0.7 columns, so output (0, 0) shows source (0.7, -0.3).
#[test]
fn cubic_shift_matches_scipy_everywhere() {
    let (shape, picture) = load("filter_input");
    let (w, h) = (shape[1], shape[0]);
    let (_, expected) = load("filter_shift_order3");
    let mut prepared = Prepared::new(Kernel::CubicBSpline);
    let mut out = vec![0.0; w * h];
    shift_window(&picture, w, h, 0.7, -0.3, w, h, &mut prepared, &mut out);
    assert!(worst(&out, &expected, w, h, 0) < 1e-3);
    let map = Similarity { centre: (0.0, 0.0), target: (0.7, -0.3), angle_rad: 0.0, scale: 1.0 };
    prepared.load(&picture, w, h);
    affine_window(&mut prepared, &map, None, w, h, &mut out);
    assert!(worst(&out, &expected, w, h, 0) < 1e-3);
}

/// Mean transfer over sub-pixel shifts at a frequency in cycles per pixel.
fn transfer(kernel: Kernel, frequency: f64) -> f64 {
    let (w, h) = (96, 4);
    let turn = 2.0 * std::f64::consts::PI * frequency;
    let wave = |phase: f64| -> Vec<f32> { (0..w * h).map(|i| (turn * (i % w) as f64 + phase).cos() as f32).collect() };
    let (cosine, sine) = (wave(0.0), wave(-std::f64::consts::FRAC_PI_2));
    let mut prepared = Prepared::new(kernel);
    let (mut c, mut s) = (vec![0.0; w * h], vec![0.0; w * h]);
    let mut total = 0.0;
    for step in 0..50 {
        let shift = (step as f64 + 0.5) / 50.0;
        shift_window(&cosine, w, h, shift, 0.0, w, h, &mut prepared, &mut c);
        shift_window(&sine, w, h, shift, 0.0, w, h, &mut prepared, &mut s);
        let at = w + w / 2;
        let phase = turn * ((w / 2) as f64 + shift);
        total += f64::from(c[at]) * phase.cos() + f64::from(s[at]) * phase.sin();
    }
    total / 50.0
}

// Continuous transform of the cardinal cubic spline, sinc^4(f) 3 / (2 + cos 2 pi f) (Unser,
// Aldroubi & Eden 1993); the rounded values for 2.4 pixels per wavelength/aperture at 0.5,
// 0.7 and 0.9 of the cut-off were measured independently in numpy over random shifts.
#[test]
fn transfers_are_as_stated() {
    let cutoff = 1.0 / 2.4;
    let cases = [
        (Kernel::Bilinear, [0.87, 0.75, 0.62], 0.006),
        (Kernel::CubicBSpline, [0.994, 0.968, 0.878], 0.003),
        (Kernel::Lanczos4, [1.00, 1.01, 0.95], 0.006),
    ];
    for (kernel, expected, tolerance) in cases {
        for (nu, value) in [0.5, 0.7, 0.9].into_iter().zip(expected) {
            let got = transfer(kernel, nu * cutoff);
            assert!((got - value).abs() < tolerance, "{kernel:?} {nu}: {got} for {value}");
        }
    }
    let f = 0.9 * cutoff;
    let pf = std::f64::consts::PI * f;
    let theory = (pf.sin() / pf).powi(4) * 3.0 / (2.0 + (2.0 * pf).cos());
    assert!((transfer(Kernel::CubicBSpline, f) - theory).abs() < 5e-4);
}

#[test]
fn whole_pixels_copy_and_edges_repeat() {
    let (shape, picture) = load("filter_input");
    let (w, h) = (shape[1], shape[0]);
    for kernel in [Kernel::Bilinear, Kernel::CubicBSpline, Kernel::Lanczos4] {
        let tolerance = if kernel == Kernel::CubicBSpline { 2e-4 } else { 0.0 };
        let mut prepared = Prepared::new(kernel);
        let mut out = vec![0.0; 8 * 6];
        shift_window(&picture, w, h, 5.0, 9.0, 8, 6, &mut prepared, &mut out);
        for y in 0..6 {
            for x in 0..8 {
                assert!((out[y * 8 + x] - picture[(y + 9) * w + x + 5]).abs() <= tolerance);
            }
        }
        shift_window(&picture, w, h, -1e9, -40.0, 8, 6, &mut prepared, &mut out);
        assert!(out.iter().all(|v| (v - picture[0]).abs() <= 2e-4));
        shift_window(&picture, w, h, 1e9, 500.0, 8, 6, &mut prepared, &mut out);
        assert!(out.iter().all(|v| (v - picture[w * h - 1]).abs() <= 2e-4));
    }
}

// Definition of an interpolating spline: the coefficients, filtered by 1/6 4/6 1/6 both ways
// with a mirrored border, give the samples back.
#[test]
fn prefilter_inverts_the_spline() {
    for (w, h) in [(1, 1), (2, 2), (5, 3), (9, 30), (40, 26), (17, 1)] {
        let picture: Vec<f32> = (0..w * h).map(|i| ((i * 37) % 101) as f32).collect();
        let mut c = picture.clone();
        bspline_prefilter(&mut c, w, h, &mut Vec::new());
        let fold = |i: isize, n: usize| stillair_maths::border::Border::Mirror.resolve(i, n);
        for y in 0..h as isize {
            for x in 0..w as isize {
                let mut total = 0.0;
                for (j, wy) in [(-1, 1.0), (0, 4.0), (1, 1.0)] {
                    for (i, wx) in [(-1, 1.0), (0, 4.0), (1, 1.0)] {
                        total += wx * wy / 36.0 * c[fold(y + j, h) * w + fold(x + i, w)];
                    }
                }
                let expected = picture[y as usize * w + x as usize];
                assert!((total - expected).abs() < 2e-3, "{w}x{h} at {x},{y}: {total} {expected}");
            }
        }
    }
}

// A plane is reproduced by every kernel of first order, wherever its taps lie inside.
#[test]
fn a_turned_window_of_a_plane_is_a_plane() {
    let (w, h) = (40, 36);
    let plane = |x: f64, y: f64| 3.0 + 0.5 * x - 0.25 * y;
    let picture: Vec<f32> = (0..w * h).map(|i| plane((i % w) as f64, (i / w) as f64) as f32).collect();
    let map = Similarity { centre: (7.5, 7.5), target: (20.2, 18.7), angle_rad: 0.3, scale: 0.9 };
    let (dx, dy) = (vec![0.25_f32; 256], vec![-0.5_f32; 256]);
    for kernel in [Kernel::Bilinear, Kernel::CubicBSpline] {
        let mut prepared = Prepared::new(kernel);
        prepared.load(&picture, w, h);
        let mut out = vec![0.0; 256];
        affine_window(&mut prepared, &map, Some((&dx, &dy)), 16, 16, &mut out);
        for (i, v) in out.iter().enumerate() {
            let (x, y) = map.apply((i % 16) as f64, (i / 16) as f64);
            assert!((f64::from(*v) - plane(x + 0.25, y - 0.5)).abs() < 1e-2, "{kernel:?} {i}");
        }
        assert!(prepared.at(f64::NAN, 0.0).is_nan());
    }
}

#[test]
fn covered_counts_positions_inside() {
    assert_eq!(covered(10, 10, 0.0, 0.0, 10, 10), (0, 10, 0, 10));
    assert_eq!(covered(10, 10, 0.5, -0.5, 10, 10), (0, 9, 1, 10));
    assert_eq!(covered(10, 10, 20.0, -30.0, 5, 5), (0, 0, 5, 5));
}

// The kernel by its definition, sinc(x) sinc(x / 4), normalised.
#[test]
fn lanczos_weights_follow_the_definition() {
    let sinc = |x: f64| {
        let a = std::f64::consts::PI * x;
        if a == 0.0 { 1.0 } else { a.sin() / a }
    };
    for t in [0.0, 1e-5, 0.25, 0.5, 0.83, 0.999_99] {
        let raw: Vec<f64> = (0..8).map(|k| t + 3.0 - f64::from(k)).map(|x| sinc(x) * sinc(x / 4.0)).collect();
        let total: f64 = raw.iter().sum();
        for (got, expected) in Kernel::Lanczos4.weights(t).iter().zip(raw) {
            assert!((f64::from(*got) - expected / total).abs() < 1e-6, "{t}: {got} {expected}");
        }
    }
}
