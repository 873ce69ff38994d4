//! Colours of light: which wavelength stands for a colour where nothing is stated, and what observers call their filters.
//!
//! All numbers are effective wavelengths in nm; common practice, no source.

/// Red, green and blue of a colour camera, or through filters of those names, nm.
pub const COLOUR_NM: [f64; 3] = [610.0, 535.0, 460.0];

/// A camera without colours of which neither filter nor wavelength is stated, nm.
pub const UNSTATED_NM: f64 = 550.0;

/// Bands of wavelengths that pass as red, green and blue, nm.
const BANDS_NM: [[f64; 2]; 3] = [[575.0, 760.0], [490.0, 575.0], [380.0, 490.0]];

/// Names of red, green and blue filters.
const COLOURS: [[&str; 2]; 3] = [["r", "red"], ["g", "green"], ["b", "blue"]];

/// Names of filters that let all visible light through.
const CLEAR: [&str; 7] = ["l", "lum", "luminance", "clear", "none", "uv/ir cut", "uv-ir cut"];

fn is_one_of(filter: &str, names: &[&str]) -> bool {
    names.iter().any(|name| filter.trim().eq_ignore_ascii_case(name))
}

/// Red, green or blue (0, 1, 2) by the usual names of filters, in any case.
#[must_use]
pub fn colour_of_filter(filter: &str) -> Option<usize> {
    COLOURS.iter().position(|names| is_one_of(filter, names))
}

/// Whether a filter by this name lets all visible light through.
#[must_use]
pub fn is_clear(filter: &str) -> bool {
    is_one_of(filter, &CLEAR)
}

/// Red, green or blue (0, 1, 2) by a stated wavelength in nm.
#[must_use]
pub fn colour_of_wavelength(nm: f64) -> Option<usize> {
    BANDS_NM.iter().position(|band| (band[0]..band[1]).contains(&nm))
}

/// Wavelength in nm of light through a filter: as stated, else as usual for its name, else [`UNSTATED_NM`].
#[must_use]
pub fn wavelength_nm(stated_nm: Option<f64>, filter: Option<&str>) -> f64 {
    let usual = || filter.and_then(colour_of_filter).map_or(UNSTATED_NM, |colour| COLOUR_NM[colour]);
    stated_nm.filter(|nm| nm.is_finite() && *nm > 0.0).unwrap_or_else(usual)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Names as observers write them (common practice). Lines of the spectrum, NIST Atomic Spectra Database, in air:
    // hydrogen alpha 656.28 nm is red, oxygen III 500.68 nm green, hydrogen gamma 434.05 nm blue; methane's band at 889 nm
    // (Karkoschka 1994, Icarus 111, 174) is none of them.
    #[test]
    fn filters_have_colours_by_name_and_by_wavelength() {
        for (name, colour) in [("R", 0), (" green ", 1), ("BLUE", 2)] {
            assert_eq!(colour_of_filter(name), Some(colour));
        }
        assert_eq!(colour_of_filter("methane"), None);
        assert!(is_clear("Luminance") && is_clear("UV/IR cut") && !is_clear("red") && !is_clear(""));
        assert_eq!([656.28, 500.68, 434.05, 889.0].map(colour_of_wavelength), [Some(0), Some(1), Some(2), None]);
        assert_eq!(wavelength_nm(Some(656.28), Some("G")), 656.28);
        assert_eq!(wavelength_nm(None, Some("b")), COLOUR_NM[2]);
        assert_eq!(wavelength_nm(Some(f64::NAN), Some("methane")), UNSTATED_NM);
    }
}
