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
const SHELLS: f64 = 2.0;

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synthetic::normals;

    const SIDE: usize = 100;
    const ELLIPSE: Ellipse = Ellipse { radius_px: 32.0, along: 0.08, across: 0.05 };
    const CENTRE: (f64, f64) = (49.3, 50.6);

    fn rim() -> Rim {
        Rim::new(SIDE, SIDE, &ELLIPSE, CENTRE, 2.5)
    }

    /// A picture of what lies `off` px outside the limb along the ray from the centre, and of the angle.
    fn draw(value: impl Fn(f64, f64) -> f64) -> Vec<f32> {
        (0..SIDE * SIDE)
            .map(|i| {
                let (dx, dy) = ((i % SIDE) as f64 - CENTRE.0, (i / SIDE) as f64 - CENTRE.1);
                let rho = ELLIPSE.radius(dx, dy);
                value(libm::hypot(dx, dy) * (1.0 - 1.0 / rho), libm::atan2(dy, dx)) as f32
            })
            .collect()
    }

    #[test]
    fn a_ring_along_the_limb_is_kept_and_a_marking_is_not() {
        let ring = draw(|off, _| libm::exp(-off * off / 4.0));
        let kept = rim().of(&ring);
        // At the limb the zone's taper is 1.
        for (i, (k, r)) in kept.iter().zip(&ring).enumerate().filter(|(_, (_, r))| **r > 0.97) {
            assert!((k / r - 1.0).abs() < 0.06, "{i}: {k} {r}");
        }
        let marking = draw(|off, angle| libm::exp(-off * off / 4.0 - 500.0 * angle * angle));
        let most = rim().of(&marking).into_iter().fold(0.0, f32::max);
        assert!(most < 0.2, "{most}");
        let far = draw(|off, _| f64::from(u8::from(off.abs() > 8.0)));
        assert!(rim().of(&far).iter().all(|v| v.abs() < 0.02));
    }

    // The mean of n values of variance v has the variance v / n (textbook): n is the noise-equivalent length of the mean
    // along the limb times the width of a shell, 0.5 px widened by two linear interpolations to 0.6 to 1.2 px.
    #[test]
    fn noise_along_the_limb_is_averaged() {
        let mut normal = normals(5);
        let noise: Vec<f32> = (0..SIDE * SIDE).map(|_| normal()).collect();
        let kept = rim().of(&noise);
        let at_limb = draw(|off, _| f64::from(u8::from(off.abs() < 1.0)));
        let (mut squares, mut n) = (0.0, 0.0);
        for (k, at) in kept.iter().zip(&at_limb) {
            squares += f64::from(at * k * k);
            n += f64::from(*at);
        }
        let averaged = n / squares;
        let length = 2.0 * std::f64::consts::PI.sqrt() * ARC * 2.5;
        assert!((0.6 * length..1.2 * length).contains(&averaged), "{averaged} {length}");
        // A zone of 15 px to both sides of 201 px of limb, of 10 000 px.
        let expected = 2.0 * 7.5 * 201.0 / 10_000.0 / length;
        let independent = rim().independent(SIDE * SIDE);
        assert!((independent / expected - 1.0).abs() < 0.1, "{independent} {expected}");
    }
}
