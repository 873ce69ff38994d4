//! Reads the reference tables beside the tests.

#![allow(dead_code)]

use stillair_sky::Body;
use toml::Table;
use toml::Value;

/// One of the files in `tests/data`.
pub fn table(name: &str) -> Table {
    let path = format!("{}/tests/data/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
    text.parse().unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// The rows of an array of tables, by dotted path.
pub fn rows<'a>(table: &'a Table, path: &str) -> &'a [Value] {
    at(table, path).as_array().unwrap_or_else(|| panic!("{path} is no array"))
}

/// A value, by dotted path.
pub fn at<'a>(table: &'a Table, path: &str) -> &'a Value {
    let mut keys = path.split('.');
    let first = keys.next().unwrap();
    keys.fold(&table[first], |value, key| &value[key])
}

/// A number, by dotted path.
pub fn number(table: &Table, path: &str) -> f64 {
    as_f64(at(table, path))
}

/// A number of a row.
pub fn get(row: &Value, key: &str) -> f64 {
    as_f64(row.get(key).unwrap_or_else(|| panic!("no {key} in {row}")))
}

/// A text of a row.
pub fn text<'a>(row: &'a Value, key: &str) -> &'a str {
    row[key].as_str().unwrap()
}

/// A list of numbers of a row.
pub fn list(row: &Value, key: &str) -> Vec<f64> {
    row[key].as_array().unwrap().iter().map(as_f64).collect()
}

/// The body of a row.
pub fn body(row: &Value) -> Body {
    text(row, "body").parse().unwrap()
}

pub fn as_f64(value: &Value) -> f64 {
    value
        .as_float()
        .or_else(|| value.as_integer().map(|whole| whole as f64))
        .unwrap_or_else(|| panic!("{value} is no number"))
}

/// Asserts that `got` is within `tolerance` of `expected`.
#[track_caller]
pub fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: {got} instead of {expected} (tolerance {tolerance})");
}

/// As [`near`], for angles in degrees that wrap at 360.
#[track_caller]
pub fn near_angle(what: &str, got_deg: f64, expected_deg: f64, tolerance_deg: f64) {
    let difference = (got_deg - expected_deg + 180.0).rem_euclid(360.0) - 180.0;
    assert!(
        difference.abs() <= tolerance_deg,
        "{what}: {got_deg} instead of {expected_deg} (tolerance {tolerance_deg})"
    );
}

/// Separation of two directions, arcsec.
pub fn separation_arcsec(ra1: f64, dec1: f64, ra2: f64, dec2: f64) -> f64 {
    sofars::vm::seps(ra1.to_radians(), dec1.to_radians(), ra2.to_radians(), dec2.to_radians()).to_degrees() * 3600.0
}
