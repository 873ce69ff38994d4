//! The air against published tables and other libraries (data/atmosphere.toml, which names its sources).

use crate::common::{self, get, list, near, number, rows, table};
use stillair_sky::Air;
use stillair_sky::dispersion::{
    dispersion_arcsec, flat_dispersion_arcsec, refractivity_birch_downs, refractivity_ciddor, refractivity_filippenko,
    refractivity_filippenko_mmhg, refractivity_peck_reeder,
};
use stillair_sky::refraction::{
    airmass_hardie, airmass_kasten_young, airmass_pickering, airmass_young, bennett_arcmin,
    refraction_from_apparent_arcmin, refraction_from_true_arcmin, saemundsson_arcmin, sofa_arcmin,
};

const STANDARD: Air = Air { pressure_hpa: 1013.25, temperature_c: 15.0, humidity: 0.0 };

/// Each formula against another implementation of itself to 0.02e-8, and all against Ciddor's within the
/// table's tolerance.
#[test]
fn refractive_index_of_standard_air() {
    let data = table("atmosphere.toml");
    let spread = number(&data, "refractivity_standard_air.tolerance_1e8");
    for row in rows(&data, "refractivity_standard_air.row") {
        let nm = get(row, "wavelength_vacuum_nm");
        for (key, refractivity) in [
            ("ciddor_ref_index", refractivity_ciddor(nm, &STANDARD, 450.0)),
            ("ciddor_astroatmosphere", refractivity_ciddor(nm, &STANDARD, 450.0)),
            ("edlen_1953_barrell", refractivity_filippenko(nm, &STANDARD)),
            ("birch_downs_1994", refractivity_birch_downs(nm, &STANDARD)),
            ("peck_reeder_1972", refractivity_peck_reeder(nm)),
        ] {
            near(&format!("{key} at {nm} nm"), refractivity * 1e8, get(row, key), 0.02);
            near(&format!("{key} at {nm} nm against Ciddor"), refractivity * 1e8, get(row, "ciddor_ref_index"), spread);
        }
    }
}

#[test]
fn refractive_index_of_humid_air() {
    let data = table("atmosphere.toml");
    let tolerance = number(&data, "nist_ciddor.tolerance_n");
    for row in rows(&data, "nist_ciddor.row") {
        let air = Air {
            pressure_hpa: get(row, "pressure_pa") / 100.0,
            temperature_c: get(row, "temperature_c"),
            humidity: get(row, "relative_humidity_percent") / 100.0,
        };
        let nm = get(row, "wavelength_vacuum_nm");
        near(&format!("{nm} nm in {air:?}"), 1.0 + refractivity_ciddor(nm, &air, 450.0), get(row, "n"), tolerance);
    }
}

#[test]
fn filippenkos_table() {
    let data = table("atmosphere.toml");
    let value = |key: &str| number(&data, &format!("filippenko_1982.{key}"));
    let table = data["filippenko_1982"].clone();
    let refractivity = |angstrom: f64| {
        refractivity_filippenko_mmhg(
            angstrom / 10.0,
            value("temperature_c"),
            value("pressure_mmhg"),
            value("water_vapour_mmhg"),
        )
    };
    let shift_arcsec = |angstrom: f64, sec_z: f64| {
        (refractivity(angstrom) - refractivity(value("reference_angstrom")))
            * (sec_z * sec_z - 1.0).sqrt()
            * 206_264.806
    };
    let mut checked = 0;
    for (rows, columns) in
        [("row", "wavelength_angstrom"), ("row_red", "wavelength_red_angstrom"), ("extra", "wavelength_angstrom")]
    {
        let columns = list(&table, columns);
        for row in table[rows].as_array().unwrap() {
            let sec_z = get(row, "sec_z");
            for (kind, tolerance) in [("printed_arcsec", value("tolerance_arcsec")), ("computed_arcsec", 1e-4)] {
                if row.get(kind).is_none() {
                    continue;
                }
                for (&angstrom, expected) in columns.iter().zip(list(row, kind)) {
                    near(&format!("{angstrom} A at sec z {sec_z}"), shift_arcsec(angstrom, sec_z), expected, tolerance);
                    checked += 1;
                }
            }
        }
    }
    assert_eq!(checked, 2 * 19 * 8 + 2 * 3 * 7 + 5 * 8);
}

/// The flat model against the flat column, Oriani's theorem against Oriani's column and the integral over
/// the US Standard Atmosphere.
#[test]
fn dispersion_against_altitude() {
    let data = table("atmosphere.toml");
    let tolerance = number(&data, "dispersion_sea_level.tolerance_arcsec");
    for row in rows(&data, "dispersion_sea_level.row") {
        let altitude = get(row, "altitude_deg");
        for (first, second) in [(450.0, 650.0), (400.0, 700.0), (450.0, 550.0), (550.0, 650.0), (642.0, 1000.0)] {
            let column = |model: &str| get(row, &format!("{model}_{first}_{second}_nm_arcsec"));
            let what = |model: &str| format!("{model}, {first} to {second} nm at {altitude}");
            near(
                &what("flat"),
                flat_dispersion_arcsec(first, second, 90.0 - altitude, &STANDARD),
                column("tan_z"),
                tolerance,
            );
            let got = dispersion_arcsec(first, second, altitude, &STANDARD);
            near(&what("Oriani"), got, column("oriani"), tolerance);
            // The table's note: the theorem follows the integral to 0.3 % at 10 degrees.
            let integral = column("integral");
            near(&what("integral"), got, integral, tolerance.max(0.003 * integral));
        }
    }
}

#[test]
fn airmasses() {
    let data = table("atmosphere.toml");
    for row in rows(&data, "airmass.row") {
        let altitude = get(row, "altitude_deg");
        for (key, got) in [
            ("hardie_1962", airmass_hardie(altitude)),
            ("kasten_young_1989", airmass_kasten_young(altitude)),
            ("young_1994", airmass_young(altitude)),
            ("pickering_2002", airmass_pickering(altitude)),
        ] {
            let Some(expected) = row.get(key).map(common::as_f64) else {
                continue;
            };
            near(&format!("{key} at {altitude}"), got, expected, 6e-6 * expected);
            if altitude >= 15.0 {
                near(
                    &format!("{key} at {altitude} against the default"),
                    airmass_pickering(altitude),
                    expected,
                    number(&data, "airmass.tolerance_relative") * expected,
                );
            }
        }
    }
}

#[test]
fn refractions() {
    let data = table("atmosphere.toml");
    let tolerance = number(&data, "refraction.tolerance_arcmin");
    let air = Air::default();
    let dry = Air { humidity: 0.0, ..air };
    for row in rows(&data, "refraction.row") {
        let altitude = get(row, "altitude_deg");
        let bennett = get(row, "bennett_from_apparent_arcmin");
        near("Bennett", bennett_arcmin(altitude, &air), bennett, 0.006);
        near("Saemundsson", saemundsson_arcmin(altitude, &air), get(row, "saemundsson_from_true_arcmin"), 0.006);
        let got = refraction_from_apparent_arcmin(altitude, &dry);
        if let Some(erfa) = row.get("erfa_refco_from_apparent_arcmin").map(common::as_f64) {
            near("SOFA model", sofa_arcmin(altitude, &dry), erfa, 0.001);
            near(&format!("refraction at {altitude}"), got, erfa, tolerance);
        }
        near(&format!("refraction at {altitude}"), got, bennett, tolerance);
        let back = refraction_from_true_arcmin(altitude - got / 60.0, &dry);
        near(&format!("there and back at {altitude}"), back, got, 0.01);
    }
}
