//! Small dense problems: linear systems, linear least squares, Levenberg-Marquardt.

/// Solves a symmetric positive-definite system by Cholesky after scaling to unit diagonal.
/// `None` where the matrix is singular to within 1e-10, or not finite.
#[allow(clippy::needless_range_loop, reason = "indices mirror the formulas")]
pub fn solve<const N: usize>(matrix: &[[f64; N]; N], right: &[f64; N]) -> Option<[f64; N]> {
    let mut scale = [0.0; N];
    for i in 0..N {
        if !(matrix[i][i].is_finite() && matrix[i][i] > 0.0) {
            return None;
        }
        scale[i] = 1.0 / matrix[i][i].sqrt();
    }
    let mut lower = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let mut value = matrix[i][j] * scale[i] * scale[j];
            for k in 0..j {
                value -= lower[i][k] * lower[j][k];
            }
            if i == j {
                if value.is_nan() || value <= 1e-10 {
                    return None;
                }
                lower[i][i] = value.sqrt();
            } else {
                lower[i][j] = value / lower[j][j];
            }
        }
    }
    let mut x = [0.0; N];
    for i in 0..N {
        let mut value = right[i] * scale[i];
        for k in 0..i {
            value -= lower[i][k] * x[k];
        }
        x[i] = value / lower[i][i];
    }
    for i in (0..N).rev() {
        for k in i + 1..N {
            x[i] -= lower[k][i] * x[k];
        }
        x[i] /= lower[i][i];
    }
    for i in 0..N {
        x[i] *= scale[i];
    }
    Some(x)
}

/// Weighted linear least squares: rows of `N` regressors with a value and a weight
/// (inverse variance); `None` where the regressors are dependent.
pub fn least_squares<const N: usize>(rows: impl IntoIterator<Item = ([f64; N], f64, f64)>) -> Option<[f64; N]> {
    let mut normal = [[0.0; N]; N];
    let mut right = [0.0; N];
    for (row, value, weight) in rows {
        for i in 0..N {
            right[i] += weight * row[i] * value;
            for j in 0..N {
                normal[i][j] += weight * row[i] * row[j];
            }
        }
    }
    solve(&normal, &right)
}

/// The outcome of [`levenberg_marquardt`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit<const N: usize> {
    /// Parameters at the end.
    pub parameters: [f64; N],
    /// Sum of squared residuals at the end.
    pub squares: f64,
    /// Evaluations of the residuals, those for derivatives included.
    pub evaluations: usize,
    /// Whether the last accepted step changed the sum by less than 1e-10 of itself.
    pub converged: bool,
}

/// Minimises the sum of squares of `residuals(parameters, out)` (a fixed number of them,
/// written to `out`) inside `bounds` (low, high) by Levenberg-Marquardt with Marquardt's
/// diagonal damping and forward differences of `1e-6 * (|p| + scale)`, where `scale` is the
/// typical size of each parameter. At most `rounds` accepted or refused steps. Residuals that
/// are not finite count as infinitely bad.
pub fn levenberg_marquardt<const N: usize>(
    start: [f64; N],
    scale: [f64; N],
    bounds: [(f64, f64); N],
    count: usize,
    rounds: usize,
    mut residuals: impl FnMut(&[f64; N], &mut [f64]),
) -> Fit<N> {
    let clamp = |p: &mut [f64; N]| {
        for (v, (low, high)) in p.iter_mut().zip(&bounds) {
            *v = v.max(*low).min(*high);
        }
    };
    let cost = |r: &[f64]| {
        let s: f64 = r.iter().map(|v| v * v).sum();
        if s.is_finite() { s } else { f64::INFINITY }
    };
    let mut p = start;
    clamp(&mut p);
    let mut here = vec![0.0; count];
    let mut there = vec![0.0; count];
    let mut jacobian: [Vec<f64>; N] = std::array::from_fn(|_| vec![0.0; count]);
    residuals(&p, &mut here);
    let mut squares = cost(&here);
    let mut evaluations = 1;
    let mut damping = 1e-3;
    let mut converged = false;
    let mut fresh = true;
    for _ in 0..rounds {
        if fresh {
            for (k, column) in jacobian.iter_mut().enumerate() {
                let mut step = 1e-6 * (p[k].abs() + scale[k]);
                if p[k] + step > bounds[k].1 {
                    step = -step;
                }
                let mut q = p;
                q[k] += step;
                residuals(&q, column);
                evaluations += 1;
                for (c, h) in column.iter_mut().zip(&here) {
                    *c = (*c - h) / step;
                }
            }
        }
        let mut normal = [[0.0; N]; N];
        let mut right = [0.0; N];
        for i in 0..N {
            for j in 0..=i {
                let value = jacobian[i].iter().zip(&jacobian[j]).map(|(a, b)| a * b).sum();
                normal[i][j] = value;
                normal[j][i] = value;
            }
            right[i] = -jacobian[i].iter().zip(&here).map(|(a, b)| a * b).sum::<f64>();
        }
        for (i, row) in normal.iter_mut().enumerate() {
            let floor = 1e-12 / (scale[i] * scale[i]).max(f64::MIN_POSITIVE);
            row[i] += damping * row[i].max(floor) + floor;
        }
        let mut q = p;
        let accepted = match solve(&normal, &right) {
            Some(step) => {
                for (v, s) in q.iter_mut().zip(step) {
                    *v += s;
                }
                clamp(&mut q);
                residuals(&q, &mut there);
                evaluations += 1;
                cost(&there) <= squares
            }
            None => false,
        };
        if accepted {
            let next = cost(&there);
            converged = squares - next <= 1e-10 * squares;
            p = q;
            squares = next;
            std::mem::swap(&mut here, &mut there);
            damping = (damping * 0.2).max(1e-12);
            fresh = true;
            if converged {
                break;
            }
        } else {
            damping *= 4.0;
            fresh = false;
            if damping > 1e12 {
                converged = squares.is_finite();
                break;
            }
        }
    }
    Fit { parameters: p, squares, evaluations, converged }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The inverse of the 3 x 3 Hilbert matrix has the integer entries 9 -36 30 / -36 192 -180 /
    // 30 -180 180 (textbook).
    #[test]
    fn solves_a_hilbert_system() {
        let hilbert = [[1.0, 0.5, 1.0 / 3.0], [0.5, 1.0 / 3.0, 0.25], [1.0 / 3.0, 0.25, 0.2]];
        let x = solve(&hilbert, &[1.0, 0.0, 0.0]).unwrap();
        for (got, expected) in x.iter().zip([9.0, -36.0, 30.0]) {
            assert!((got - expected).abs() < 1e-10);
        }
        assert!(solve(&[[1.0, 1.0], [1.0, 1.0]], &[1.0, 1.0]).is_none());
    }

    // Rosenbrock 1960 (Comput. J. 3, 175): minimum at (1, 1), start (-1.2, 1).
    #[test]
    fn finds_the_bottom_of_rosenbrocks_valley() {
        let fit = levenberg_marquardt([-1.2, 1.0], [1.0, 1.0], [(-10.0, 10.0); 2], 2, 200, |p, r| {
            r[0] = 10.0 * (p[1] - p[0] * p[0]);
            r[1] = 1.0 - p[0];
        });
        assert!((fit.parameters[0] - 1.0).abs() < 1e-6 && (fit.parameters[1] - 1.0).abs() < 1e-6);
    }
}
