//! What a picture shows alike along a limb.
//!
//! Where the model of a disc misses the true darkening, or the transfer is a little off, the rest has a thin ring along
//! the limb, whose power drowns in that of the noise over the whole picture and would be held back with it. Averaged
//! along the limb the noise is far smaller. So the zone about the limb is averaged over arcs, in shells parallel to the
//! limb, and this part is filtered by a coherence of its own.

use super::ellipse::Ellipse;

/// Standard deviation of the mean along the limb, lambda/D.
const ARC: f64 = 3.0;
/// Reach of the zone to each side of the limb, lambda/D.
const REACH: f64 = 3.0;
/// Shells per px.
const SHELLS: f64 = 4.0;

/// The zone about a limb in a window: for each of its pixels the place, shell, position along the limb and taper.
#[derive(Debug)]
pub struct Rim {
    pixels: Vec<(usize, f64, f64, f32)>,
    shells: usize,
    steps: usize,
    /// Standard deviation along the limb in steps.
    spread: f64,
}

impl Rim {
    /// The zone of an ellipse at `centre_px` in a window of `width` x `height` px; `resolution_px` is lambda/D in px.
    pub fn new(width: usize, height: usize, ellipse: &Ellipse, centre_px: (f64, f64), resolution_px: f64) -> Self {
        let radius = ellipse.radius_px;
        // A small disc keeps its inner half.
        let reach = (REACH * resolution_px).min(0.5 * radius);
        let steps = ((2.0 * std::f64::consts::PI * radius) as usize).max(8);
        let turn = 2.0 * std::f64::consts::PI;
        let mut pixels = Vec::new();
        for i in 0..width * height {
            let (dx, dy) = ((i % width) as f64 - centre_px.0, (i / width) as f64 - centre_px.1);
            let rho = ellipse.radius(dx, dy);
            let off = if rho > 0.0 { libm::hypot(dx, dy) * (1.0 - 1.0 / rho) } else { -radius };
            if off.abs() < reach {
                let taper = 0.5 + 0.5 * libm::cos(std::f64::consts::PI * off / reach);
                let angle = libm::atan2(dy, dx).rem_euclid(turn) / turn * steps as f64;
                pixels.push((i, (off + reach) * SHELLS, angle, taper as f32));
            }
        }
        let shells = (2.0 * reach * SHELLS) as usize + 2;
        Self { pixels, shells, steps, spread: ARC * resolution_px / turn / radius * steps as f64 }
    }

    /// Share of the coefficients of a field of `area` px that are independent in what is averaged along the limb: the
    /// zone's share of the field over the noise-equivalent length of the mean, `2 sqrt(pi)` standard deviations.
    pub fn independent(&self, area: usize) -> f64 {
        let length = 2.0 * std::f64::consts::PI.sqrt() * self.spread;
        self.pixels.len() as f64 / area as f64 / length.max(1.0)
    }

    /// The part of a picture that is alike along the limb, 0 outside the zone.
    pub fn of(&self, picture: &[f32]) -> Vec<f32> {
        let mut sums = vec![(0.0_f64, 0.0_f64); self.shells * self.steps];
        let corners = |shell: f64, step: f64| {
            let (s, a) = (shell as usize, step as usize);
            let (u, v) = (shell - s as f64, step - a as f64);
            let at = |s: usize, a: usize| s.min(self.shells - 1) * self.steps + a % self.steps;
            [
                (at(s, a), (1.0 - u) * (1.0 - v)),
                (at(s, a + 1), (1.0 - u) * v),
                (at(s + 1, a), u * (1.0 - v)),
                (at(s + 1, a + 1), u * v),
            ]
        };
        for (i, shell, step, _) in &self.pixels {
            for (k, w) in corners(*shell, *step) {
                sums[k].0 += w * f64::from(picture[*i]);
                sums[k].1 += w;
            }
        }
        let reach = (3.0 * self.spread) as usize;
        let kernel: Vec<f64> = (0..=2 * reach)
            .map(|k| {
                let off = (k as f64 - reach as f64) / self.spread;
                libm::exp(-0.5 * off * off)
            })
            .collect();
        let mut means = vec![0.0; sums.len()];
        for (row, out) in sums.chunks_exact(self.steps).zip(means.chunks_exact_mut(self.steps)) {
            for (a, out) in out.iter_mut().enumerate() {
                let (mut sum, mut weight) = (0.0, 0.0);
                for (k, w) in kernel.iter().enumerate() {
                    // Kernels longer than the limb go round it.
                    let cell = row[(a + k + self.steps * (1 + reach / self.steps) - reach) % self.steps];
                    sum += w * cell.0;
                    weight += w * cell.1;
                }
                *out = if weight > 0.0 { sum / weight } else { 0.0 };
            }
        }
        let mut out = vec![0.0; picture.len()];
        for (i, shell, step, taper) in &self.pixels {
            let value: f64 = corners(*shell, *step).into_iter().map(|(k, w)| w * means[k]).sum();
            out[*i] = taper * value as f32;
        }
        out
    }
}
