//! How the field turns during a clip: the angle of sub-stacks over time, as a low polynomial.
//!
//! Each sub-stack is registered on the mean of all by shift and angle together
//! ([`stillair_maths::registration::RigidReference`]). A polynomial in time of degree 1 to 3, the one with the lowest
//! Bayesian information criterion (Schwarz 1978, Ann. Statist. 6, 461), is kept if it explains the angles far better
//! than a constant (F test) and turns the limb by more than a quarter of a pixel.

use stillair_maths::registration::{RigidReference, RigidScratch};
use stillair_maths::resample::{Kernel, Prepared, Similarity, affine_window};

/// Blur before the fit of an angle, px.
const BLUR_PX: f64 = 1.0;

/// Gauss-Newton steps of a sub-stack.
const STEPS: usize = 12;

/// How often the mean of the sub-stacks is made anew.
const PASSES: usize = 2;

/// Angles beyond this are not believed, radians.
const LARGEST_RAD: f64 = 0.7;

/// A turn of the limb below this does not blur, px.
const SMALLEST_TURN_PX: f64 = 0.25;

/// Angle over time.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Turning {
    /// Coefficients of powers of the scaled time, radians.
    pub coefficients: Vec<f64>,
}

impl Turning {
    /// The angle in radians at a scaled time (-1 to 1 over the clip).
    pub fn angle_rad(&self, time: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, c| sum * time + c)
    }

    /// Adds another.
    pub fn add(&mut self, other: &Turning) {
        self.coefficients.resize(self.coefficients.len().max(other.coefficients.len()), 0.0);
        for (a, b) in self.coefficients.iter_mut().zip(&other.coefficients) {
            *a += b;
        }
    }

    /// Largest minus smallest angle over the clip.
    pub fn range_rad(&self) -> f64 {
        let angles = (0..=40).map(|i| self.angle_rad(f64::from(i) / 20.0 - 1.0));
        let (low, high) = angles.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), a| (l.min(a), h.max(a)));
        high - low
    }
}

/// Angles of sub-stacks against the mean of them all, NaN where none was found. `centre` is the point that they turn
/// about; pictures are `width` x `height`. The mean is made anew from the pictures turned back, since a mean that is
/// smeared by the rotation shows too little of it.
pub fn angles(pictures: &[Vec<f32>], width: usize, height: usize, centre: [f64; 2]) -> Vec<f64> {
    let mut angles = vec![0.0; pictures.len()];
    let margin = (width.min(height) / 16).max(2);
    let mut scratch = RigidScratch::default();
    for _ in 0..PASSES {
        let mean = mean_turned_back(pictures, &angles, width, height, centre);
        let Some(reference) = RigidReference::new(&mean, width, height, BLUR_PX, (centre[0], centre[1]), margin) else {
            return vec![f64::NAN; pictures.len()];
        };
        for (angle, picture) in angles.iter_mut().zip(pictures) {
            let start = if angle.is_finite() { *angle } else { 0.0 };
            let fit = reference.refine(picture, (0.0, 0.0, start), STEPS, &mut scratch);
            *angle = fit.map_or(f64::NAN, |f| if f.angle_rad.abs() < LARGEST_RAD { f.angle_rad } else { f64::NAN });
        }
    }
    angles
}

/// Mean of pictures, each turned back by its angle; those without one are left out.
fn mean_turned_back(pictures: &[Vec<f32>], angles: &[f64], width: usize, height: usize, centre: [f64; 2]) -> Vec<f32> {
    let mut mean = vec![0.0; width * height];
    let mut turned = vec![0.0; width * height];
    let mut prepared = Prepared::new(Kernel::CubicBSpline);
    let found = angles.iter().filter(|a| a.is_finite()).count().max(1) as f32;
    for (picture, angle_rad) in pictures.iter().zip(angles).filter(|(_, a)| a.is_finite()) {
        let middle = (centre[0], centre[1]);
        let map = Similarity { centre: middle, target: middle, angle_rad: *angle_rad, scale: 1.0 };
        prepared.load(picture, width, height);
        affine_window(&mut prepared, &map, None, width, height, &mut turned);
        for (sum, value) in mean.iter_mut().zip(&turned) {
            *sum += value / found;
        }
    }
    mean
}

/// How sure one must be before a rotation is undone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Demand {
    /// Take whatever the fit says.
    None,
    /// The mount is known to turn the field.
    Likely,
    /// Nothing is known of the mount.
    Unknown,
}

/// The polynomial through angles at scaled times, if it passes the demand; `radius_px` is the target's.
pub fn fit(times: &[f64], angles: &[f64], radius_px: f64, demand: Demand) -> Option<Turning> {
    let points: Vec<(f64, f64)> =
        times.iter().copied().zip(angles.iter().copied()).filter(|(t, a)| t.is_finite() && a.is_finite()).collect();
    let n = points.len();
    if n < 4 {
        return None;
    }
    let constant = residual(&points, &polynomial(&points, 0)?);
    let mut best: Option<(f64, Turning, f64)> = None;
    for degree in 1..=3 {
        if degree + 3 > n {
            break;
        }
        let Some(turning) = polynomial(&points, degree) else { break };
        let rest = residual(&points, &turning).max(1e-18);
        let criterion = n as f64 * libm::log(rest / n as f64) + (degree + 1) as f64 * libm::log(n as f64);
        if best.as_ref().is_none_or(|b| criterion < b.0) {
            let freedom = (n - degree - 1) as f64;
            best = Some((criterion, turning, ((constant - rest) / degree as f64) / (rest / freedom)));
        }
    }
    let (_, turning, ratio) = best?;
    let sure = match demand {
        Demand::None => true,
        Demand::Likely => ratio > 6.0,
        Demand::Unknown => ratio > 20.0,
    };
    let pays = demand == Demand::None || turning.range_rad() * radius_px > SMALLEST_TURN_PX;
    (sure && pays).then_some(turning)
}

fn residual(points: &[(f64, f64)], turning: &Turning) -> f64 {
    points.iter().map(|(t, a)| (a - turning.angle_rad(*t)) * (a - turning.angle_rad(*t))).sum()
}

/// Least squares by normal equations; degree at most 3.
fn polynomial(points: &[(f64, f64)], degree: usize) -> Option<Turning> {
    let mut matrix = [[0.0; 4]; 4];
    let mut right = [0.0; 4];
    for (t, a) in points {
        let powers = [1.0, *t, t * t, t * t * t];
        for i in 0..=degree {
            right[i] += powers[i] * a;
            for j in 0..=degree {
                matrix[i][j] += powers[i] * powers[j];
            }
        }
    }
    for (i, row) in matrix.iter_mut().enumerate().skip(degree + 1) {
        row[i] = 1.0;
    }
    let solution = stillair_maths::fit::solve(&matrix, &right)?;
    Some(Turning { coefficients: solution[..=degree].to_vec() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turning_field_is_told_from_noise() {
        // Values of a known line and parabola; the noise is a fixed list of rms 0.002 rad.
        let noise = [0.002, -0.001, 0.0015, -0.003, 0.001, 0.0025, -0.002, -0.0005, 0.003, -0.0035, 0.0, 0.001];
        let times: Vec<f64> = (0..12).map(|i| f64::from(i) / 5.5 - 1.0).collect();
        let bent: Vec<f64> = times.iter().zip(noise).map(|(t, e)| 0.035 * t + 0.01 * t * t + e).collect();
        let turning = fit(&times, &bent, 15.0, Demand::Unknown).unwrap();
        assert!((turning.coefficients[1] - 0.035).abs() < 0.003, "{turning:?}");
        assert!(turning.coefficients.len() >= 3, "{turning:?}");
        assert_eq!(fit(&times, &noise, 15.0, Demand::Unknown), None);
        assert_eq!(fit(&times, &noise, 150.0, Demand::Unknown), None);
        // 0.02 rad at a radius of 5 px is a tenth of a pixel.
        let small: Vec<f64> = times.iter().map(|t| 0.01 * t).collect();
        assert_eq!(fit(&times, &small, 5.0, Demand::Unknown), None);
    }
}
