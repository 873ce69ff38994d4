//! Cut-off of the telescope on a picture.

use stillair_api::light::{COLOUR_NM, UNSTATED_NM};
use stillair_api::{Facts, Image};

/// Session facts read here.
pub const FACTS: [&str; 5] =
    ["telescope.aperture_mm", "telescope.obstruction", "telescope.focal_mm", "camera.pixel_um", "camera.wavelength_nm"];

/// Name of a channel in facts.
pub fn channel_name(channels: usize, channel: usize) -> &'static str {
    match (channels, channel) {
        (3, 0) => "red",
        (3, 1) => "green",
        (3, 2) => "blue",
        _ => "mono",
    }
}

/// Wavelength of each channel, nm: the picture's own, the session's for a mono picture, or the
/// usual.
pub fn wavelengths(image: &Image, facts: &Facts) -> Vec<f64> {
    let own = &image.info.wavelength_nm;
    if own.len() == image.channels && own.iter().all(|w| *w > 0.0) {
        return own.clone();
    }
    match image.channels {
        3 => COLOUR_NM.to_vec(),
        n => vec![facts.number("camera.wavelength_nm").filter(|w| *w > 0.0).unwrap_or(UNSTATED_NM); n],
    }
}

/// Radians per picture px, if known.
pub fn rad_per_px(image: &Image, facts: &Facts) -> Option<f64> {
    let scale = if image.info.px_per_capture_px > 0.0 { image.info.px_per_capture_px } else { 1.0 };
    match (facts.number("camera.pixel_um"), facts.number("telescope.focal_mm")) {
        (Some(pixel_um), Some(focal_mm)) if pixel_um > 0.0 && focal_mm > 0.0 => {
            Some(pixel_um * 1e-3 / focal_mm / scale)
        }
        _ => image.info.arcsec_per_px.map(|a| (a / 3600.0).to_radians()),
    }
}

/// Cut-off `D / lambda` of each channel in cycles per picture px, if aperture and sampling are
/// known.
pub fn cutoffs(image: &Image, facts: &Facts) -> Option<Vec<f64>> {
    let aperture_mm = facts.number("telescope.aperture_mm").filter(|a| *a > 0.0)?;
    let rad = rad_per_px(image, facts)?;
    Some(wavelengths(image, facts).iter().map(|nm| aperture_mm * 1e6 / nm * rad).collect())
}
