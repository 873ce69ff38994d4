//! What a comparison concludes from its numbers.

use super::measures::sigma_of_crossing;
use super::*;

fn value(value: f64, sigma: f64) -> Option<Uncertain> {
    Some(Uncertain { value, sigma: Some(sigma) })
}

#[test]
fn runs_that_lie_within_the_uncertainty_share_a_rank() {
    // 0.30 and 0.29 differ by 0.01 with sqrt(2) 0.006 = 0.0085: 1.2 deviations. 0.20 is far away.
    let values = [value(0.20, 0.006), value(0.29, 0.006), None, value(0.30, 0.006)];
    assert_eq!(ranks(&values, true), [Some(3), Some(1), None, Some(1)]);
    assert_eq!(ranks(&values, false), [Some(1), Some(2), None, Some(2)]);
    // Without uncertainty only equal values are alike.
    let exact = [1.0, 1.0, 1.1].map(|v| Some(Uncertain { value: v, sigma: None }));
    assert_eq!(ranks(&exact, false), [Some(1), Some(1), Some(3)]);
    // A value at the end of what can be measured has none: that of the other decides.
    let ended = Some(Uncertain { value: 0.33, sigma: None });
    assert_eq!(ranks(&[value(0.30, 0.02), ended], true), [Some(1), Some(1)]);
    assert_eq!(ranks(&[value(0.30, 0.01), ended], true), [Some(2), Some(1)]);
}

#[test]
fn a_difference_is_called_one_only_beyond_two_deviations() {
    let run = RunOf { name: String::new(), clip: String::new(), settings: vec![], folder: None, failure: None };
    let words = |difference: f64| {
        let difference = Some(Uncertain { value: difference, sigma: Some(0.01) });
        verdict(1, &run, value(0.3, 0.01), difference, Measure::Resolution)
    };
    assert_eq!(
        [words(0.0), words(0.019), words(0.021), words(-0.021)],
        ["no difference", "no difference", "better", "worse"]
    );
}

/// A curve that falls from 1 to 0 as a logistic function about a known crossing, with noise of the scatter that the
/// formula assumes: the crossings found in many such curves must scatter as told.
#[test]
fn the_uncertainty_of_the_crossing_is_that_of_many_noisy_curves() {
    let size = 200;
    let step = 1.0 / f64::from(size);
    let level = 1.0 / 7.0;
    // 1 / (1 + e^x) is 1/7 at x = ln 6.
    let smooth = |f: f64| 1.0 / (1.0 + ((f - 0.25) / 0.03).exp());
    let truth = 0.25 + 0.03 * 6f64.ln();
    let mut state = 7_u64;
    let mut uniform = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let mut normal = || (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
    let (mut found, mut told) = (Vec::new(), Vec::new());
    for _ in 0..400 {
        let noisy: Vec<f64> = (0..=size / 2)
            .map(|k| {
                let r = smooth(f64::from(k) * step);
                let pairs = (2.0 * std::f64::consts::PI * f64::from(k)).max(1.0);
                r + normal() * (1.0 - r * r) / pairs.sqrt()
            })
            .collect();
        let mean = |k: usize| (noisy[k - 1] + noisy[k] + noisy[k + 1]) / 3.0;
        let k = (20..99).find(|k| mean(*k) < level).unwrap();
        let crossing = step * (k as f64 - (level - mean(k)) / (mean(k - 1) - mean(k)));
        found.push(crossing);
        let curve: Vec<(f64, f64)> = noisy.iter().enumerate().map(|(k, r)| (k as f64 * step, *r)).collect();
        told.push(sigma_of_crossing(&curve, crossing, 1.0).unwrap());
    }
    let mean = found.iter().sum::<f64>() / 400.0;
    let scatter = (found.iter().map(|f| (f - mean).powi(2)).sum::<f64>() / 399.0).sqrt();
    told.sort_by(f64::total_cmp);
    assert!((mean - truth).abs() < 0.005, "{mean} for {truth}");
    assert!((told[200] / scatter - 1.0).abs() < 0.35, "told {} of {scatter}", told[200]);
    assert_eq!(sigma_of_crossing(&[(0.0, 1.0), (0.01, 1.0)], 0.5, 1.0), None, "beyond the end nothing is known");
}
