//! The air's dispersion: how far colours are shifted apart along the vertical.
//!
//! Refractive index of air by Edlen with Barrell's terms for density and water vapour, and the first-order
//! difference 206265 (n1 - n2) tan z, both as in Filippenko (1982), PASP 94, 715, equations 1 to 4.

use crate::optics::ARCSEC;

/// The air above the site.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Temperature, degrees Celsius.
    pub temperature_c: f64,
    /// Pressure, mm of mercury.
    pub pressure_mmhg: f64,
    /// Pressure of water vapour, mm of mercury.
    pub water_vapour_mmhg: f64,
}

impl Default for Air {
    /// 12 C, 750 mmHg, 8 mmHg of vapour: a mild night near sea level.
    fn default() -> Self {
        Self { temperature_c: 12.0, pressure_mmhg: 750.0, water_vapour_mmhg: 8.0 }
    }
}

impl Air {
    /// Refractivity n - 1 at a vacuum wavelength in nm (Filippenko 1982, eq. 1 to 3).
    pub fn refractivity(&self, wavelength_nm: f64) -> f64 {
        let s2 = (1000.0 / wavelength_nm).powi(2);
        let thermal = 1.0 + 0.003661 * self.temperature_c;
        let p = self.pressure_mmhg;
        let standard = 64.328 + 29_498.1 / (146.0 - s2) + 255.4 / (41.0 - s2);
        let dry = standard * p * (1.0 + (1.049 - 0.0157 * self.temperature_c) * 1e-6 * p) / (720.883 * thermal);
        let vapour = (0.0624 - 0.000680 * s2) / thermal * self.water_vapour_mmhg;
        (dry - vapour) * 1e-6
    }

    /// How much higher (arcsec, towards the zenith) `wavelength_nm` appears than `reference_nm` at a zenith
    /// distance whose tangent is given (Filippenko 1982, eq. 4). Flat air: within 1 % above 20 degrees.
    pub fn lift_arcsec(&self, wavelength_nm: f64, reference_nm: f64, tan_zenith: f64) -> f64 {
        ARCSEC * (self.refractivity(wavelength_nm) - self.refractivity(reference_nm)) * tan_zenith
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Filippenko (1982), Table I (7 C, 600 mmHg, 8 mmHg, against 5000 Angstrom), printed to 0.01 arcsec.
    #[test]
    fn filippenko_table() {
        let air = Air { temperature_c: 7.0, pressure_mmhg: 600.0, water_vapour_mmhg: 8.0 };
        let columns = [300.0, 350.0, 400.0, 450.0, 500.0, 550.0, 600.0, 650.0];
        let rows: [(f64, [f64; 8]); 5] = [
            (1.0, [0.0; 8]),
            (1.1, [0.97, 0.55, 0.29, 0.12, 0.0, -0.09, -0.15, -0.2]),
            (1.3, [1.76, 1.0, 0.53, 0.22, 0.0, -0.16, -0.28, -0.37]),
            (1.5, [2.37, 1.34, 0.71, 0.29, 0.0, -0.21, -0.37, -0.5]),
            (1.9, [3.42, 1.94, 1.03, 0.42, 0.0, -0.31, -0.54, -0.72]),
        ];
        for (sec_z, printed) in rows {
            for (wavelength, expected) in columns.iter().zip(printed) {
                let got = air.lift_arcsec(*wavelength, 500.0, f64::sqrt(sec_z * sec_z - 1.0));
                assert!((got - expected).abs() <= 0.01, "{sec_z} {wavelength}: {got} {expected}");
            }
        }
        for (wavelength, expected) in [(700.0, -0.6), (800.0, -0.74), (900.0, -0.84), (1000.0, -0.91)] {
            let got = air.lift_arcsec(wavelength, 500.0, f64::sqrt(1.25));
            assert!((got - expected).abs() <= 0.01, "{wavelength}: {got} {expected}");
        }
    }
}
