//! How finely the camera samples the telescope's picture, which sets every band of frequencies.

use stillair_api::Facts;
use stillair_api::light::{COLOUR_NM, UNSTATED_NM};

/// The session facts read here.
pub const FACTS: [&str; 4] = ["telescope.aperture_mm", "telescope.focal_mm", "camera.pixel_um", "camera.wavelength_nm"];

/// Pixels per wavelength over aperture where the session says nothing: the usual choice for planets.
pub const DEFAULT_SAMPLING: f64 = 2.4;

/// Pixels per `wavelength / aperture`, `Q = wavelength focal_length / (aperture pixel)`; the optical cut-off lies at
/// `1 / Q` cycles per px. `None` where a fact is missing.
pub fn pixels_per_resolution(facts: &Facts, colour: bool) -> Option<f64> {
    let positive = |name: &str| facts.number(name).filter(|v| v.is_finite() && *v > 0.0);
    let nm = if colour { COLOUR_NM[1] } else { positive("camera.wavelength_nm").unwrap_or(UNSTATED_NM) };
    let ratio = positive("telescope.focal_mm")? / positive("telescope.aperture_mm")?;
    Some(nm * 1e-3 * ratio / positive("camera.pixel_um")?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::{FactOrigin, FactValue};

    #[test]
    fn the_sampling_follows_the_focal_ratio() {
        // Cut-off of incoherent imaging: aperture / (wavelength focal length) (Goodman, Introduction to Fourier Optics,
        // section 6.3): f/12.9, 535 nm, 3.76 um: 0.535 * 12.9 / 3.76 = 1.8355 px.
        let mut facts = Facts::default();
        assert_eq!(pixels_per_resolution(&facts, true), None);
        for (name, value) in
            [("telescope.aperture_mm", 105.0), ("telescope.focal_mm", 1354.5), ("camera.pixel_um", 3.76)]
        {
            facts.set(name, FactValue::Number(value), FactOrigin::Session);
        }
        let q = pixels_per_resolution(&facts, true).unwrap();
        assert!((q - 1.8355).abs() < 1e-4, "{q}");
    }
}
