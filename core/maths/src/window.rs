//! Windows that take a picture smoothly to its edges before a transform.

/// Hann window of `n` samples with the zeros just outside, `sin^2(pi (i + 1) / (n + 1))`.
pub fn hann(n: usize) -> Vec<f32> {
    taper(n, 1.0)
}

/// Tukey window of `n` samples: flat in the middle, a raised cosine over the outer `fraction`
/// (0..1, both ends together) of the length.
pub fn taper(n: usize, fraction: f64) -> Vec<f32> {
    let edge = 0.5 * fraction.clamp(0.0, 1.0) * (n as f64 + 1.0);
    (0..n)
        .map(|i| {
            let distance = (i + 1).min(n - i) as f64;
            if distance >= edge {
                1.0
            } else {
                let s = libm::sin(0.5 * std::f64::consts::PI * distance / edge);
                (s * s) as f32
            }
        })
        .collect()
}

/// Subtracts the window-weighted mean and multiplies by `columns[x] * rows[y]`; returns that
/// mean.
///
/// # Panics
/// Where the lengths disagree.
pub fn apply(source: &[f32], columns: &[f32], rows: &[f32], out: &mut [f32]) -> f64 {
    let width = columns.len();
    assert!(source.len() == width * rows.len() && out.len() == source.len());
    if source.is_empty() {
        return 0.0;
    }
    let (mut total, mut weight) = (0.0, 0.0);
    let column_sum = crate::sum(columns);
    for (row, &w) in source.chunks_exact(width).zip(rows) {
        total += f64::from(w) * crate::dot(row, columns);
        weight += f64::from(w) * column_sum;
    }
    let mean = if weight > 0.0 { total / weight } else { 0.0 };
    let level = mean as f32;
    for ((row, target), &w) in source.chunks_exact(width).zip(out.chunks_exact_mut(width)).zip(rows) {
        for ((t, v), c) in target.iter_mut().zip(row).zip(columns) {
            *t = (v - level) * (c * w);
        }
    }
    mean
}

#[cfg(test)]
mod tests {
    use super::*;

    // scipy.signal.windows.hann(7, sym=True)[1:-1] = 0.25, 0.75, 1, 0.75, 0.25 (definition).
    #[test]
    fn hann_is_sampled_without_its_zeros() {
        for (got, expected) in hann(5).iter().zip([0.25, 0.75, 1.0, 0.75, 0.25]) {
            assert!((got - expected).abs() < 1e-6);
        }
        assert_eq!(taper(4, 0.0), [1.0; 4]);
    }

    #[test]
    fn a_constant_vanishes() {
        let mut out = vec![9.0; 20];
        assert!((apply(&[3.0; 20], &hann(5), &hann(4), &mut out) - 3.0).abs() < 1e-6);
        assert!(out.iter().all(|v| v.abs() < 1e-6));
    }
}
