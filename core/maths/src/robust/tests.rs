use super::*;

// astropy 8.0.2 stats.sigma_clip on this list (stdfunc='std'), and numpy on its outcome.
const VALUES: [f64; 40] = [
    100.171, 106.799, 106.124, 180.0, 98.51, 97.363, 102.849, 99.72, 103.734, 90.763, 107.833, 99.518, 103.402, 99.317,
    98.105, 102.316, 104.123, 20.0, 99.236, 103.428, 95.648, 92.428, 101.975, 96.647, 90.398, 95.93, 97.662, 94.034,
    92.538, 131.0, 104.486, 98.834, 96.282, 101.925, 103.586, 98.5, 102.723, 105.214, 98.965, 95.932,
];

#[test]
fn sigma_clip_follows_astropy() {
    type Case = (f64, Option<usize>, Centre, &'static [usize], f64, f64, f64);
    let cases: [Case; 4] = [
        (3.0, Some(5), Centre::Median, &[3, 17, 29], 99.64913514, 99.317, 4.383693439),
        (2.0, Some(5), Centre::Median, &[3, 9, 10, 17, 24, 29], 99.94188235, 99.4175, 3.743952172),
        (3.0, None, Centre::Mean, &[3, 17, 29], 99.64913514, 99.317, 4.383693439),
        (2.5, Some(1), Centre::Median, &[3, 17], 100.4741579, 99.4175, 6.625373819),
    ];
    for (sigma, rounds, centre, rejected, mean, median, std) in cases {
        let clipped = sigma_clip(&VALUES, sigma, rounds, centre);
        let out: Vec<usize> = (0..VALUES.len()).filter(|&i| !clipped.kept[i]).collect();
        assert_eq!(out, rejected);
        assert!((clipped.mean / mean - 1.0).abs() < 1e-9);
        assert!((clipped.median / median - 1.0).abs() < 1e-9);
        assert!((clipped.std / std - 1.0).abs() < 1e-9);
    }
    assert!((mad(&VALUES) * MAD_TO_SIGMA / 5.169092635 - 1.0).abs() < 1e-9);
    assert!((median(&VALUES) - 99.4175).abs() < 1e-9);
}

// numpy.percentile([1, 2, 3, 4, 10], 40) = 2.6 and ([1, 2, 3, 4], 25) = 1.75 (linear rule,
// from its documentation: i + (j - i) * fraction).
#[test]
fn percentiles_follow_numpy() {
    assert!((percentile(&[10.0, 1.0, f64::NAN, 3.0, 2.0, 4.0], 40.0) - 2.6).abs() < 1e-12);
    assert!((percentile(&[4.0, 3.0, 2.0, 1.0], 25.0) - 1.75).abs() < 1e-12);
    assert!((percentile_f32(&[4.0, 3.0, 2.0, 1.0], 25.0, &mut Vec::new()) - 1.75).abs() < 1e-6);
    assert!((mad_f32(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0], &mut Vec::new()) - 1.0).abs() < 1e-6);
    assert!(percentile(&[], 50.0).is_nan());
    let run = running_percentile(&[1.0, 5.0, 2.0, 8.0, f64::NAN, 3.0], 3, 50.0);
    assert_eq!(run, [3.0, 2.0, 5.0, 5.0, 5.5, 3.0]);
}

// scipy.stats.spearmanr([1,2,3,4,5], [5,6,7,8,7]) = 0.8207826816681233 (its documentation's
// example).
#[test]
fn rank_correlation_follows_scipy() {
    let r = spearman(&[1.0, 2.0, 3.0, 4.0, 5.0], &[5.0, 6.0, 7.0, 8.0, 7.0]);
    assert!((r - 0.8207826816681233).abs() < 1e-12);
    assert!(spearman(&[1.0, 1.0], &[1.0, 2.0]).is_nan());
}

// By the definitions: points on a line, with one wild value for Theil-Sen.
#[test]
fn lines() {
    let x: Vec<f64> = (0..11).map(f64::from).collect();
    let mut y: Vec<f64> = x.iter().map(|v| 2.0 - 0.5 * v).collect();
    let line = linear_fit(&x, &y).unwrap();
    assert!((line.slope + 0.5).abs() < 1e-12 && (line.intercept - 2.0).abs() < 1e-12);
    y[10] = 500.0;
    let line = theil_sen(&x, &y).unwrap();
    assert!((line.slope + 0.5).abs() < 1e-12);
    assert!(linear_fit(&[1.0, 1.0], &[2.0, 3.0]).is_none());
    assert_eq!(weighted_mean(&[1.0, 4.0, f64::NAN], &[1.0, 2.0, 9.0]), 3.0);
}
