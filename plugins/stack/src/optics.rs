//! What the stacks say of scale and colour: read from session facts.

use stillair_api::light::{self, COLOUR_NM};
use stillair_api::{ClipInfo, Facts, Layout};

/// The session facts that a stack reads.
pub const FACTS: [&str; 5] =
    ["telescope.focal_mm", "camera.pixel_um", "camera.filter", "camera.wavelength_nm", "camera.exposure_s"];

/// Seconds of arc in a radian.
const ARCSEC_PER_RADIAN: f64 = 206_264.806_247_096_36;

/// Facts in the units of a picture's description.
#[derive(Debug, Clone, Default)]
pub struct Optics {
    /// Scale of the capture in arcsec per px, if focal length and pixel size are known.
    pub arcsec_per_px: Option<f64>,
    /// Wavelength of the filter in nm, if stated.
    pub wavelength_nm: Option<f64>,
    /// Name of the filter, if stated.
    pub filter: Option<String>,
    /// Exposure of a frame in s, if stated.
    pub exposure_s: Option<f64>,
}

impl Optics {
    /// Reads the facts.
    pub fn from_facts(facts: &Facts) -> Self {
        let positive = |name: &str| facts.number(name).filter(|v| v.is_finite() && *v > 0.0);
        let arcsec_per_px = match (positive("telescope.focal_mm"), positive("camera.pixel_um")) {
            (Some(focal_mm), Some(pixel_um)) => Some(ARCSEC_PER_RADIAN * pixel_um * 1e-3 / focal_mm),
            _ => None,
        };
        Self {
            arcsec_per_px,
            wavelength_nm: positive("camera.wavelength_nm"),
            filter: facts.text("camera.filter").map(str::to_string),
            exposure_s: positive("camera.exposure_s"),
        }
    }

    /// Wavelength of each channel in nm: as stated, else as usual for the filter.
    pub fn wavelengths_nm(&self, channels: usize) -> Vec<f64> {
        self.wavelengths_through(channels, self.filter.as_deref())
    }

    /// The same where the capture's header may name the filter.
    pub fn wavelengths_through(&self, channels: usize, filter: Option<&str>) -> Vec<f64> {
        if channels == 3 {
            return COLOUR_NM.to_vec();
        }
        vec![light::wavelength_nm(self.wavelength_nm, filter)]
    }

    /// Name of the filter, by the session or else by the capture's header.
    pub fn filter<'a>(&'a self, info: &'a ClipInfo) -> Option<&'a str> {
        self.filter.as_deref().or_else(|| info.header.get("filter").map(String::as_str))
    }
}

/// Whether the frames of a stream were taken through a colour mosaic: it still has one, or a step that undid it
/// left its pattern in the header under `mosaic`.
pub fn from_mosaic(info: &ClipInfo) -> bool {
    matches!(info.layout, Layout::Mosaic(_)) || info.header.contains_key("mosaic")
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::{FactOrigin, FactValue};

    #[test]
    fn a_pixel_of_3_76_um_behind_1350_mm_spans_0_574_arcsec() {
        // 206.265 * pixel / focal length, as in any observing handbook: 206.265 * 3.76 / 1350 = 0.57449.
        let mut facts = Facts::default();
        facts.set("telescope.focal_mm", FactValue::Number(1350.0), FactOrigin::Session);
        facts.set("camera.pixel_um", FactValue::Number(3.76), FactOrigin::Session);
        let scale = Optics::from_facts(&facts).arcsec_per_px.unwrap();
        assert!((scale - 0.57449).abs() < 1e-5, "{scale}");
        assert_eq!(Optics::from_facts(&Facts::default()).arcsec_per_px, None);
    }

    // Names as observers write them; the wavelengths are those of the constants above (common practice, no source).
    #[test]
    fn a_filter_by_its_usual_name_has_a_wavelength() {
        let with = |filter: &str| {
            let mut facts = Facts::default();
            facts.set("camera.filter", FactValue::Text(filter.into()), FactOrigin::Session);
            Optics::from_facts(&facts).wavelengths_nm(1)
        };
        assert_eq!(with("R"), [610.0]);
        assert_eq!(with("green"), [535.0]);
        assert_eq!(with(" Blue"), [460.0]);
        assert_eq!(with("methane"), [550.0]);
        assert_eq!(Optics::from_facts(&Facts::default()).wavelengths_nm(3), COLOUR_NM);
    }
}
