//! Small symmetric matrices, row-major and dense: Cholesky factors and eigenvectors.

/// Puts the Cholesky factor `L` of a positive definite matrix of side `n`, `A = L L^T`, into its lower triangle (Golub & Van
/// Loan 2013, Matrix Computations, 4.2); the upper one stays. `None` where the matrix is not positive definite.
///
/// # Panics
/// Where the matrix has not `n * n` values.
pub fn factor(a: &mut [f64], n: usize) -> Option<()> {
    assert_eq!(a.len(), n * n);
    for j in 0..n {
        for i in j..n {
            let (own, column) = (&a[i * n..i * n + j], &a[j * n..j * n + j]);
            let sum: f64 = own.iter().zip(column).map(|(x, y)| x * y).sum();
            let rest = a[i * n + j] - sum;
            if i > j {
                a[i * n + j] = rest / a[j * n + j];
            } else if rest > 0.0 && rest.is_finite() {
                a[j * n + j] = rest.sqrt();
            } else {
                return None;
            }
        }
    }
    Some(())
}

/// The Cholesky factor by [`factor`], zero above the diagonal.
///
/// # Panics
/// Where the matrix has not `n * n` values.
pub fn cholesky(a: &[f64], n: usize) -> Option<Vec<f64>> {
    let mut l = a.to_vec();
    factor(&mut l, n)?;
    for (row, line) in l.chunks_exact_mut(n.max(1)).enumerate() {
        line[row + 1..].fill(0.0);
    }
    Some(l)
}

/// Inverse of a lower triangular matrix with a diagonal that is not zero.
///
/// # Panics
/// Where the matrix has not `n * n` values.
pub fn lower_inverse(l: &[f64], n: usize) -> Vec<f64> {
    assert_eq!(l.len(), n * n);
    let mut out = vec![0.0; n * n];
    for column in 0..n {
        for i in column..n {
            let sum: f64 = (column..i).map(|k| l[i * n + k] * out[k * n + column]).sum();
            out[i * n + column] = (f64::from(u8::from(i == column)) - sum) / l[i * n + i];
        }
    }
    out
}

/// Product of two square matrices.
///
/// # Panics
/// Where a matrix has not `n * n` values.
pub fn product(a: &[f64], b: &[f64], n: usize) -> Vec<f64> {
    assert!(a.len() == n * n && b.len() == n * n);
    let mut out = vec![0.0; n * n];
    for (row, target) in a.chunks_exact(n.max(1)).zip(out.chunks_exact_mut(n.max(1))) {
        for (value, line) in row.iter().zip(b.chunks_exact(n.max(1))) {
            target.iter_mut().zip(line).for_each(|(t, v)| *t += value * v);
        }
    }
    out
}

/// Transpose of a square matrix.
///
/// # Panics
/// Where the matrix has not `n * n` values.
pub fn transpose(a: &[f64], n: usize) -> Vec<f64> {
    assert_eq!(a.len(), n * n);
    (0..n * n).map(|i| a[i % n * n + i / n]).collect()
}

/// Sweeps after which an eigenproblem counts as solved; ten are plenty for sides of hundreds.
const SWEEPS: usize = 40;

/// Eigenvalues and eigenvectors (columns) of a symmetric matrix by cyclic Jacobi rotations (Golub & Van Loan 2013, 8.5),
/// in no order.
///
/// # Panics
/// Where the matrix has not `n * n` values.
pub fn eigen(a: &[f64], n: usize) -> (Vec<f64>, Vec<f64>) {
    assert_eq!(a.len(), n * n);
    let mut a = a.to_vec();
    let mut v: Vec<f64> = (0..n * n).map(|i| f64::from(u8::from(i / n == i % n))).collect();
    let scale: f64 = a.iter().map(|x| x * x).sum();
    for _ in 0..SWEEPS {
        let off: f64 = (0..n).flat_map(|i| (0..i).map(move |j| (i, j))).map(|(i, j)| a[i * n + j] * a[i * n + j]).sum();
        if off <= 1e-26 * scale {
            break;
        }
        for p in 0..n {
            for q in p + 1..n {
                let apq = a[p * n + q];
                if apq == 0.0 {
                    continue;
                }
                let theta = (a[q * n + q] - a[p * n + p]) / (2.0 * apq);
                let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
                let t = if theta == 0.0 { 1.0 } else { t };
                let c = 1.0 / (t * t + 1.0).sqrt();
                let s = t * c;
                for k in 0..n {
                    let (x, y) = (a[k * n + p], a[k * n + q]);
                    a[k * n + p] = c * x - s * y;
                    a[k * n + q] = s * x + c * y;
                }
                for k in 0..n {
                    let (x, y) = (a[p * n + k], a[q * n + k]);
                    a[p * n + k] = c * x - s * y;
                    a[q * n + k] = s * x + c * y;
                }
                for k in 0..n {
                    let (x, y) = (v[k * n + p], v[k * n + q]);
                    v[k * n + p] = c * x - s * y;
                    v[k * n + q] = s * x + c * y;
                }
            }
        }
    }
    ((0..n).map(|i| a[i * n + i]).collect(), v)
}

#[cfg(test)]
mod tests {
    use super::*;

    // The second difference matrix of side n has the eigenvalues 2 - 2 cos(k pi / (n + 1)) (textbook).
    #[test]
    fn eigenvalues_of_the_second_difference() {
        let n = 9_usize;
        let a: Vec<f64> = (0..n * n)
            .map(|i| match (i / n).abs_diff(i % n) {
                0 => 2.0,
                1 => -1.0,
                _ => 0.0,
            })
            .collect();
        let (mut values, vectors) = eigen(&a, n);
        for k in 0..n {
            for i in 0..n {
                let image: f64 = (0..n).map(|j| a[i * n + j] * vectors[j * n + k]).sum();
                assert!((image - values[k] * vectors[i * n + k]).abs() < 1e-10);
            }
        }
        values.sort_by(f64::total_cmp);
        for (k, value) in values.iter().enumerate() {
            let expected = 2.0 - 2.0 * libm::cos((k + 1) as f64 * std::f64::consts::PI / 10.0);
            assert!((value - expected).abs() < 1e-10, "{value} {expected}");
        }
    }

    // numpy 2.4: numpy.linalg.cholesky([[4, 12, -16], [12, 37, -43], [-16, -43, 98]]).
    #[test]
    fn a_known_cholesky_factor_and_its_inverse() {
        let a = [4.0, 12.0, -16.0, 12.0, 37.0, -43.0, -16.0, -43.0, 98.0];
        let l = cholesky(&a, 3).unwrap();
        assert_eq!(l, [2.0, 0.0, 0.0, 6.0, 1.0, 0.0, -8.0, 5.0, 3.0]);
        let one = product(&l, &lower_inverse(&l, 3), 3);
        assert!(one.iter().enumerate().all(|(i, v)| (v - f64::from(u8::from(i % 4 == 0))).abs() < 1e-14));
        assert_eq!(product(&l, &transpose(&l, 3), 3), a);
        assert!(cholesky(&[1.0, 2.0, 2.0, 1.0], 2).is_none());
    }
}
