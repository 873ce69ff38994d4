//! The facts that a session may hold: names, units, ranges. One list, from which reading, hints and help come.

/// What a fact's value is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FactKind {
    /// A number within [min, max], in the unit that the name ends with.
    Number {
        /// Smallest sensible value.
        min: f64,
        /// Largest sensible value.
        max: f64,
    },
    /// A whole number within [min, max].
    Integer {
        /// Smallest sensible value.
        min: i64,
        /// Largest sensible value.
        max: i64,
    },
    /// A yes or no.
    Flag,
    /// A text.
    Text,
    /// One of a few words, in any case.
    Choice(&'static [&'static str]),
    /// A file, relative to the session file.
    Path,
}

/// A fact.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FactSpec {
    /// Section and key.
    pub name: &'static str,
    /// Kind and range.
    pub kind: FactKind,
    /// What it says.
    pub help: &'static str,
}

const fn number(name: &'static str, min: f64, max: f64, help: &'static str) -> FactSpec {
    FactSpec { name, kind: FactKind::Number { min, max }, help }
}

const fn fact(name: &'static str, kind: FactKind, help: &'static str) -> FactSpec {
    FactSpec { name, kind, help }
}

/// Every fact, in the order of the sections. Ranges are wide enough for anything that is built, narrow enough to
/// catch a wrong unit.
pub const FACTS: &[FactSpec] = &[
    number("telescope.aperture_mm", 10.0, 50_000.0, "clear diameter of the telescope"),
    number("telescope.obstruction", 0.0, 0.9, "diameter of the secondary over that of the aperture"),
    number("telescope.focal_mm", 20.0, 1_000_000.0, "effective focal length, with whatever lengthens it"),
    number("camera.pixel_um", 0.3, 100.0, "distance of neighbouring pixels on the sensor"),
    fact("camera.pattern", FactKind::Choice(&["RGGB", "GRBG", "GBRG", "BGGR"]), "colour mosaic from the top left"),
    fact("camera.bits", FactKind::Integer { min: 1, max: 16 }, "bits of a sample as the camera measured it"),
    number("camera.exposure_s", 1e-6, 3600.0, "exposure of a frame"),
    number("camera.gain_e_per_adu", 1e-4, 10_000.0, "electrons for one step of the stored numbers"),
    fact("camera.filter", FactKind::Text, "name of the filter"),
    number("camera.wavelength_nm", 200.0, 2500.0, "middle of the band that a mono clip was taken in"),
    fact("target.name", FactKind::Text, "what was looked at"),
    fact("calibration.bias", FactKind::Path, "frames of no light and no exposure"),
    fact("calibration.dark", FactKind::Path, "frames of no light"),
    fact("calibration.flat", FactKind::Path, "frames of even light"),
    fact("calibration.flat_dark", FactKind::Path, "frames of no light, exposed as long as the flat"),
    number("time.utc_offset_s", -86_400.0, 86_400.0, "to be added to the capture's times to get UTC"),
    fact("time.trusted", FactKind::Flag, "whether the capture's clock was right"),
    number("site.latitude_deg", -90.0, 90.0, "north is positive"),
    number("site.longitude_deg", -180.0, 360.0, "east is positive"),
    number("site.elevation_m", -500.0, 9000.0, "above the sea"),
    number("site.pressure_hpa", 200.0, 1100.0, "air pressure at the site, not reduced to the sea"),
    number("site.temperature_c", -90.0, 60.0, "air temperature"),
    fact("mount.kind", FactKind::Choice(&["equatorial", "alt-azimuth"]), "whether the field turns"),
    number("orientation.up_position_angle_deg", -360.0, 360.0, "position angle of the picture's up, north over east"),
    fact("orientation.mirrored", FactKind::Flag, "whether left and right are swapped"),
];

/// The fact of that name.
pub fn fact_spec(name: &str) -> Option<&'static FactSpec> {
    FACTS.iter().find(|f| f.name == name)
}

/// Units a person might write, each with its place among its kind: kind, and how many of the base unit it is.
const UNITS: &[(&str, &str, f64)] = &[
    ("nm", "length", 1e-9),
    ("um", "length", 1e-6),
    ("mm", "length", 1e-3),
    ("cm", "length", 1e-2),
    ("m", "length", 1.0),
    ("km", "length", 1e3),
    ("in", "length", 0.0254),
    ("inch", "length", 0.0254),
    ("ft", "length", 0.3048),
    ("us", "time", 1e-6),
    ("ms", "time", 1e-3),
    ("s", "time", 1.0),
    ("min", "time", 60.0),
    ("h", "time", 3600.0),
    ("deg", "angle", 1.0),
    ("rad", "angle", 180.0 / std::f64::consts::PI),
    ("pa", "pressure", 0.01),
    ("hpa", "pressure", 1.0),
    ("mbar", "pressure", 1.0),
    ("c", "temperature", 1.0),
];

/// For a key of the right name in another unit, or without one: the key that is known, and the factor that turns the
/// value into its unit, where both units are known and of one kind.
pub(super) fn other_unit(section: &str, key: &str) -> Option<(&'static str, Option<f64>)> {
    let (stem, unit) = key.rsplit_once('_').map_or((key, None), |(stem, unit)| (stem, Some(unit)));
    for fact in FACTS {
        let Some((s, known)) = fact.name.split_once('.') else { continue };
        let Some((known_stem, known_unit)) = known.rsplit_once('_') else { continue };
        let numeric = matches!(fact.kind, FactKind::Number { .. });
        if s != section || !numeric || !(known_stem == stem || known_stem == key) {
            continue;
        }
        let find = |name: &str| UNITS.iter().find(|(unit, _, _)| *unit == name.to_lowercase());
        let factor = match (unit.and_then(find), find(known_unit)) {
            (Some((_, a, from)), Some((_, b, to))) if a == b => Some(from / to),
            _ => None,
        };
        return Some((known, factor));
    }
    None
}
