//! The air as a prism: refractive index by wavelength, and the spread of colours in altitude.
//!
//! Indices: Filippenko 1982 (PASP 94, 715: Edlen 1953 with Barrell's density terms), Birch and Downs 1994
//! (Metrologia 31, 315), Peck and Reeder 1972 (J. Opt. Soc. Am. 62, 958), Ciddor 1996 (Appl. Opt. 35, 1566;
//! humid air, any CO2). They agree within 2e-8. Spread: the flat atmosphere, (n1 - n2) tan z, as in
//! Filippenko's table, and Oriani's theorem with the atmosphere's reduced height, which stays within 0.3 %
//! of the integral over a standard atmosphere down to 10 degrees, where the flat one is 3 % too large.

use crate::site::Air;

const ARCSEC_PER_RAD: f64 = 206_264.806_247_096_36;
const HPA_PER_MMHG: f64 = 1013.25 / 760.0;

fn wavenumber_squared_per_um2(wavelength_nm: f64) -> f64 {
    (1000.0 / wavelength_nm).powi(2)
}

/// Saturation pressure of water vapour, Pa, over water above and over ice below 0 C (Ciddor 1996 with the
/// ice formula of the NIST Engineering Metrology Toolbox).
fn saturation_pressure_pa(temperature_c: f64) -> f64 {
    let kelvin = temperature_c + 273.15;
    if temperature_c >= 0.0 {
        (1.237_884_7e-5 * kelvin * kelvin - 1.912_131_6e-2 * kelvin + 33.937_110_47 - 6.343_164_5e3 / kelvin).exp()
    } else {
        let theta = kelvin / 273.16;
        611.657 * (-13.928_169 * (1.0 - theta.powf(-1.5)) + 34.707_823_8 * (1.0 - theta.powf(-1.25))).exp()
    }
}

/// Refractivity n - 1 of air by Filippenko 1982, eqs. 1 to 3, for a pressure and a water-vapour pressure in
/// mmHg and a temperature in degrees Celsius.
#[must_use]
pub fn refractivity_filippenko_mmhg(
    wavelength_nm: f64,
    temperature_c: f64,
    pressure_mmhg: f64,
    vapour_mmhg: f64,
) -> f64 {
    let s2 = wavenumber_squared_per_um2(wavelength_nm);
    let expansion = 1.0 + 0.003_661 * temperature_c;
    let sea_level = 64.328 + 29_498.1 / (146.0 - s2) + 255.4 / (41.0 - s2);
    let dry = sea_level * pressure_mmhg * (1.0 + (1.049 - 0.0157 * temperature_c) * 1e-6 * pressure_mmhg)
        / (720.883 * expansion);
    (dry - (0.0624 - 0.000_680 * s2) / expansion * vapour_mmhg) * 1e-6
}

/// Refractivity n - 1 of air by Filippenko 1982.
#[must_use]
pub fn refractivity_filippenko(wavelength_nm: f64, air: &Air) -> f64 {
    refractivity_filippenko_mmhg(
        wavelength_nm,
        air.temperature_c,
        air.pressure_hpa / HPA_PER_MMHG,
        air.humidity * saturation_pressure_pa(air.temperature_c) * 1e-2 / HPA_PER_MMHG,
    )
}

/// Refractivity n - 1 of dry air (450 ppm CO2) by Birch and Downs 1994.
#[must_use]
pub fn refractivity_birch_downs(wavelength_nm: f64, air: &Air) -> f64 {
    let s2 = wavenumber_squared_per_um2(wavelength_nm);
    let standard = 8342.54 + 2_406_147.0 / (130.0 - s2) + 15_998.0 / (38.9 - s2);
    let pressure_pa = air.pressure_hpa * 100.0;
    standard * 1e-8 * pressure_pa * (1.0 + 1e-8 * (0.601 - 0.009_72 * air.temperature_c) * pressure_pa)
        / (96_095.43 * (1.0 + 0.003_661 * air.temperature_c))
}

/// Refractivity n - 1 of dry air at 15 C and 1013.25 hPa by Peck and Reeder 1972.
#[must_use]
pub fn refractivity_peck_reeder(wavelength_nm: f64) -> f64 {
    let s2 = wavenumber_squared_per_um2(wavelength_nm);
    (8060.51 + 2_480_990.0 / (132.274 - s2) + 17_455.7 / (39.329_57 - s2)) * 1e-8
}

/// Refractivity n - 1 of humid air by Ciddor 1996, with `co2_ppm` of carbon dioxide (450 is the standard).
#[must_use]
pub fn refractivity_ciddor(wavelength_nm: f64, air: &Air, co2_ppm: f64) -> f64 {
    const GAS_CONSTANT: f64 = 8.314_510;
    const WATER_KG_PER_MOL: f64 = 0.018_015;
    let s2 = wavenumber_squared_per_um2(wavelength_nm);
    let pressure_pa = air.pressure_hpa * 100.0;
    if pressure_pa <= 0.0 {
        return 0.0;
    }
    let air_kg_per_mol = 1e-3 * (28.9635 + 12.011e-6 * (co2_ppm - 400.0));
    let dry_standard =
        (5_792_105.0 / (238.0185 - s2) + 167_917.0 / (57.362 - s2)) * 1e-8 * (1.0 + 0.534e-6 * (co2_ppm - 450.0));
    let vapour_standard = 1.022e-8 * (295.235 + 2.6422 * s2 - 0.032_380 * s2 * s2 + 0.004_028 * s2 * s2 * s2);
    // Molar fraction of water vapour, with the enhancement factor.
    let t = air.temperature_c;
    let enhancement = 1.000_62 + 3.14e-8 * pressure_pa + 5.6e-7 * t * t;
    let vapour = enhancement * air.humidity * saturation_pressure_pa(t) / pressure_pa;
    let moles = |t_c: f64, p_pa: f64, x: f64| p_pa / (compressibility(t_c, p_pa, x) * GAS_CONSTANT * (t_c + 273.15));
    let dry_reference = moles(15.0, 101_325.0, 0.0) * air_kg_per_mol;
    let vapour_reference = moles(20.0, 1333.0, 1.0) * WATER_KG_PER_MOL;
    let here = moles(t, pressure_pa, vapour);
    here * air_kg_per_mol * (1.0 - vapour) / dry_reference * dry_standard
        + here * WATER_KG_PER_MOL * vapour / vapour_reference * vapour_standard
}

/// Compressibility of moist air (CIPM 1981/91, as in Ciddor 1996, eq. 12).
fn compressibility(temperature_c: f64, pressure_pa: f64, vapour: f64) -> f64 {
    let t = temperature_c;
    let density = pressure_pa / (t + 273.15);
    1.0 - density
        * (1.581_23e-6 - 2.9331e-8 * t
            + 1.1043e-10 * t * t
            + (5.707e-6 - 2.051e-8 * t) * vapour
            + (1.9898e-4 - 2.376e-6 * t) * vapour * vapour)
        + density * density * (1.83e-11 - 0.765e-8 * vapour * vapour)
}

/// Spread in altitude, arcsec, of two wavelengths in a flat atmosphere: positive when the first is lifted
/// more (bluer). `zenith_distance_deg` is the apparent one, below 90.
#[must_use]
pub fn flat_dispersion_arcsec(first_nm: f64, second_nm: f64, zenith_distance_deg: f64, air: &Air) -> f64 {
    ARCSEC_PER_RAD
        * (refractivity_filippenko(first_nm, air) - refractivity_filippenko(second_nm, air))
        * zenith_distance_deg.to_radians().tan()
}

/// Spread in altitude, arcsec, of two wavelengths, by Oriani's theorem with Ciddor's index: positive when
/// the first is lifted more (bluer). `apparent_altitude_deg` from 10 to 90; below 5 degrees the value at 5
/// is given.
#[must_use]
pub fn dispersion_arcsec(first_nm: f64, second_nm: f64, apparent_altitude_deg: f64, air: &Air) -> f64 {
    oriani_arcsec(refractivity_ciddor(first_nm, air, 450.0), apparent_altitude_deg, air)
        - oriani_arcsec(refractivity_ciddor(second_nm, air, 450.0), apparent_altitude_deg, air)
}

/// Oriani's theorem to third order: r = (n-1)(1-b) tan z - (n-1)(b - (n-1)/2) tan^3 z, b the height of the
/// homogeneous atmosphere in Earth radii.
fn oriani_arcsec(refractivity: f64, apparent_altitude_deg: f64, air: &Air) -> f64 {
    let reduced_height = 29.27 * (air.temperature_c + 273.15) / 6_371_000.0;
    let tan_z = (90.0 - apparent_altitude_deg.clamp(5.0, 90.0)).to_radians().tan();
    ARCSEC_PER_RAD
        * refractivity
        * (tan_z * (1.0 - reduced_height) - tan_z.powi(3) * (reduced_height - refractivity / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Ciddor 1996, table 3 (as in the NIST toolbox): 633 nm, 20 C, 101325 Pa, 50 %: n - 1 = 27137.3e-8.
    #[test]
    fn humid_air() {
        let air = Air { pressure_hpa: 1013.25, temperature_c: 20.0, humidity: 0.5 };
        assert!((refractivity_ciddor(633.0, &air, 450.0) - 2.713_73e-4).abs() < 1e-8);
    }

    #[test]
    fn blue_is_lifted_more() {
        let air = Air::default();
        assert!(dispersion_arcsec(450.0, 650.0, 30.0, &air) > 0.0);
        assert!(dispersion_arcsec(450.0, 650.0, 90.0, &air).abs() < 1e-9);
    }
}
