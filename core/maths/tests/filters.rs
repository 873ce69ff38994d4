//! Filters against scipy and OpenCV on one 24 x 20 picture; tolerances stand in
//! `data/SOURCE.md`.

use crate::common::{load, worst};
use stillair_maths::border::Border;
use stillair_maths::filters;

fn input() -> (Vec<f32>, usize, usize) {
    let (shape, values) = load("filter_input");
    (values, shape[1], shape[0])
}

#[test]
fn gaussian_matches_scipy() {
    let (picture, w, h) = input();
    let mut scratch = Vec::new();
    for (name, sigma) in [("0_5", 0.5), ("1_0", 1.0), ("2_5", 2.5)] {
        for (mode, border) in [("reflect", Border::Reflect), ("nearest", Border::Nearest)] {
            let (_, expected) = load(&format!("filter_gaussian_{name}_{mode}"));
            let mut out = vec![0.0; w * h];
            filters::gaussian(&picture, w, h, sigma, border, &mut out, &mut scratch);
            assert!(worst(&out, &expected, w, h, 0) < 1e-3, "{name} {mode}");
        }
    }
}

#[test]
fn median_sobel_and_laplacian_match() {
    let (picture, w, h) = input();
    let mut scratch = Vec::new();
    let mut out = vec![0.0; w * h];
    filters::median3(&picture, w, h, Border::Reflect, &mut out, &mut scratch);
    assert!(worst(&out, &load("filter_median3").1, w, h, 0) < 1e-3);
    filters::sobel_magnitude(&picture, w, h, Border::Reflect, &mut out, &mut scratch);
    assert!(worst(&out, &load("filter_sobel_magnitude").1, w, h, 0) < 1e-3);
    filters::laplacian(&picture, w, h, Border::Mirror, &mut out, &mut scratch);
    assert!(worst(&out, &load("filter_laplacian_ksize1").1, w, h, 0) < 1e-3);
    // Population variance of this Laplacian: numpy on OpenCV's output.
    let mean = out.iter().map(|&v| f64::from(v)).sum::<f64>() / out.len() as f64;
    let variance = out.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / out.len() as f64;
    assert!((variance / 421.27436 - 1.0).abs() < 1e-5, "{variance}");
}

#[test]
fn unsharp_matches_inside() {
    let (picture, w, h) = input();
    let mut out = vec![0.0; w * h];
    filters::unsharp(&picture, w, h, 1.2, 1.5, Border::Mirror, &mut out, &mut Vec::new());
    let (_, expected) = load("filter_unsharp_1_2_amount_1_5");
    assert!(worst(&out, &expected, w, h, 6) < 0.05);
}

#[test]
fn a_box_of_radius_one_is_the_mean_of_nine() {
    let (picture, w, h) = input();
    let mut out = vec![0.0; w * h];
    filters::box_mean(&picture, w, h, 1, Border::Nearest, &mut out, &mut Vec::new());
    let mut nine = 0.0;
    for y in 4..7 {
        for x in 8..11 {
            nine += picture[y * w + x];
        }
    }
    assert!((out[5 * w + 9] - nine / 9.0).abs() < 1e-4);
}

#[test]
fn tiny_pictures_do_not_panic() {
    let mut scratch = Vec::new();
    for (w, h) in [(0, 0), (1, 1), (1, 5), (3, 1), (2, 2)] {
        let picture = vec![2.0; w * h];
        let mut out = vec![0.0; w * h];
        for border in [Border::Reflect, Border::Mirror, Border::Nearest] {
            filters::gaussian(&picture, w, h, 3.0, border, &mut out, &mut scratch);
            assert!(out.iter().all(|v| (v - 2.0).abs() < 1e-5));
            filters::median3(&picture, w, h, border, &mut out, &mut scratch);
            assert!(out.iter().all(|v| *v == 2.0));
            filters::sobel_magnitude(&picture, w, h, border, &mut out, &mut scratch);
            assert!(out.iter().all(|v| *v == 0.0));
        }
    }
}
