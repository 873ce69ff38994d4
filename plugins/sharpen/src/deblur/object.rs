//! The spectrum of a limb-darkened spheroid seen from afar.
//!
//! Brightness `mu^p` with `mu = sqrt(1 - r^2)` on an ellipse. A disc's two-dimensional transform is
//! the one-dimensional transform of its projection, `(1 - t^2)^((p + 1) / 2)` (projection-slice
//! theorem), and an ellipse is a stretched disc. The projection is transformed once per exponent
//! and read by cubic interpolation.

use stillair_maths::fft::Fft2;

/// Half length of the line that holds the projection, in radii: sets the step of the table.
const REACH: f64 = 16.0;

/// Transform of the projection at equal steps of `z = 2 pi f R`, 1 at 0.
#[derive(Debug, Clone)]
pub struct DiscTable {
    values: Vec<f32>,
    per_step: f32,
    /// Integral of `mu^p` over the unit disc.
    pub area: f64,
}

/// What tables of all exponents share.
#[derive(Debug, Clone)]
pub struct DiscTables {
    plan: Fft2,
    /// `ln(1 - t^2)` at the line's samples from 0 to the disc's edge.
    logs: Vec<f64>,
}

impl DiscTables {
    /// For tables read up to `z_max`.
    pub fn new(z_max: f64) -> Self {
        let steps = z_max / (std::f64::consts::PI / REACH);
        // Five times finer than z_max asks for: the flat disc's projection ends with a root.
        let n = ((10.0 * steps) as usize + 64).next_power_of_two().max(4096);
        let spacing = 2.0 * REACH / n as f64;
        let inside = (0..).map(|i| f64::from(i) * spacing).take_while(|t| *t < 1.0);
        Self { plan: Fft2::new(n, 1), logs: inside.map(|t| libm::log(1.0 - t * t)).collect() }
    }

    /// The table for the exponent `p` (0 = flat disc).
    pub fn table(&self, p: f64) -> DiscTable {
        let n = self.plan.width();
        let mut line = vec![0.0_f32; n];
        for (i, log) in self.logs.iter().enumerate() {
            let value = libm::exp(0.5 * (p + 1.0) * log) as f32;
            line[i] = value;
            line[(n - i) % n] = value;
        }
        let mut spectrum = self.plan.spectrum();
        self.plan.forward(&line, &mut spectrum, &mut self.plan.scratch());
        let first = spectrum[0].re;
        let values = spectrum.iter().map(|v| v.re / first).collect();
        DiscTable {
            values,
            per_step: (REACH / std::f64::consts::PI) as f32,
            area: std::f64::consts::PI / (p / 2.0 + 1.0),
        }
    }
}

impl DiscTable {
    /// The transform at `z >= 0`; 0 beyond the table.
    #[inline(always)]
    pub fn at(&self, z: f32) -> f32 {
        let at = z * self.per_step;
        let i = at as usize;
        if i + 2 >= self.values.len() {
            return 0.0;
        }
        let t = at - i as f32;
        let before = if i == 0 { self.values[1] } else { self.values[i - 1] };
        let (a, b, after) = (self.values[i], self.values[i + 1], self.values[i + 2]);
        // Lagrange through four points.
        let (t1, t2, t3) = (t + 1.0, t - 1.0, t - 2.0);
        -before * t * t2 * t3 / 6.0 + a * t1 * t2 * t3 / 2.0 - b * t1 * t * t3 / 2.0 + after * t1 * t * t2 / 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // A flat disc transforms to 2 J1(z) / z (textbook; j1 from the libm crate); p = 2 gives
    // 8 J2(z) / z^2, p = 1 gives 3 (sin z - z cos z) / z^3 (Bessel functions of half order).
    #[test]
    fn known_transforms() {
        let tables = DiscTables::new(300.0);
        let flat = tables.table(0.0);
        let half = tables.table(1.0);
        let full = tables.table(2.0);
        for z in [0.3, 1.0, 3.7, 12.1, 40.3, 111.7] {
            let j1 = libm::j1(z);
            let j2 = libm::jn(2, z);
            assert!((f64::from(flat.at(z as f32)) - 2.0 * j1 / z).abs() < 2e-4, "flat at {z}");
            let sphere = 3.0 * (libm::sin(z) - z * libm::cos(z)) / (z * z * z);
            assert!((f64::from(half.at(z as f32)) - sphere).abs() < 5e-5, "p = 1 at {z}");
            assert!((f64::from(full.at(z as f32)) - 8.0 * j2 / (z * z)).abs() < 5e-5, "p = 2 at {z}");
        }
        assert!((flat.area - std::f64::consts::PI).abs() < 1e-12);
        assert!((full.area - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
    }
}
