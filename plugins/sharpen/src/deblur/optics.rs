//! What the telescope, the pixels and the mosaic pass, before any air.

use stillair_api::light::{COLOUR_NM, UNSTATED_NM};
use stillair_api::{Facts, Image};
use stillair_maths::mtf;

/// Session facts read by [`Optics::of`].
pub const FACTS: [&str; 5] =
    ["telescope.aperture_mm", "telescope.obstruction", "telescope.focal_mm", "camera.pixel_um", "camera.wavelength_nm"];

/// Telescope and sampling of a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Optics {
    /// Cut-off of the aperture per channel in cycles per picture px; empty where it is unknown.
    pub cutoff: Vec<f64>,
    /// Wavelength per channel, nm.
    pub wavelength_nm: Vec<f64>,
    /// Central obstruction, of the diameter.
    pub obstruction: f64,
    /// Picture px per capture px.
    pub px_per_capture_px: f64,
    /// Whether colours were interpolated from a mosaic.
    pub interpolated: bool,
}

impl Optics {
    /// From the picture and the session's facts.
    pub fn of(image: &Image, facts: &Facts) -> Self {
        let wavelength_nm = wavelengths(image, facts);
        let scale = if image.info.px_per_capture_px > 0.0 { image.info.px_per_capture_px } else { 1.0 };
        let aperture = facts.number("telescope.aperture_mm").filter(|a| *a > 0.0);
        let sampling = match (facts.number("camera.pixel_um"), facts.number("telescope.focal_mm")) {
            (Some(pixel_um), Some(focal_mm)) if pixel_um > 0.0 && focal_mm > 0.0 => {
                Some(pixel_um * 1e-3 / focal_mm / scale)
            }
            _ => image.info.arcsec_per_px.map(|a| (a / 3600.0).to_radians()),
        };
        let cutoff = match (aperture, sampling) {
            (Some(aperture_mm), Some(rad_per_px)) => {
                wavelength_nm.iter().map(|nm| aperture_mm * 1e6 / nm * rad_per_px).collect()
            }
            _ => Vec::new(),
        };
        Self {
            cutoff,
            wavelength_nm,
            obstruction: facts.number("telescope.obstruction").unwrap_or(0.0).clamp(0.0, 0.9),
            px_per_capture_px: scale,
            interpolated: image.info.from_mosaic && image.channels == 3 && !image.info.mosaic_kept,
        }
    }

    /// What the pixel's area and the mosaic's interpolation leave of contrast at a frequency in
    /// cycles per picture px. Averaged over many sub-pixel shifts, the bilinear kernels act as
    /// `(1 + cos 2 pi u)(1 + cos 2 pi v) / 4` on red and blue and `(2 + cos 2 pi u + cos 2 pi v) / 4`
    /// on green (their discrete transforms).
    pub fn kernels(&self, channel: usize, fx: f64, fy: f64) -> f64 {
        let (u, v) = (fx * self.px_per_capture_px, fy * self.px_per_capture_px);
        let pixel = mtf::pixel(u) * mtf::pixel(v);
        if !self.interpolated {
            return pixel;
        }
        let (cu, cv) = (libm::cos(std::f64::consts::TAU * u), libm::cos(std::f64::consts::TAU * v));
        pixel * if channel == 1 { (2.0 + cu + cv) / 4.0 } else { (1.0 + cu) * (1.0 + cv) / 4.0 }
    }
}

/// Wavelength of each channel: the picture's own, the session's for a mono picture, or the usual.
fn wavelengths(image: &Image, facts: &Facts) -> Vec<f64> {
    let own = &image.info.wavelength_nm;
    if own.len() == image.channels && own.iter().all(|w| *w > 0.0) {
        return own.clone();
    }
    match image.channels {
        3 => COLOUR_NM.to_vec(),
        n => vec![facts.number("camera.wavelength_nm").filter(|w| *w > 0.0).unwrap_or(UNSTATED_NM); n],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::{FactOrigin, FactValue};

    // The transform of the 3 x 3 kernels that fill a mosaic's gaps, written out: green
    // [0 1 0; 1 4 1; 0 1 0] / 8 (its centre is known on half of the pixels), red and blue
    // [1 2 1; 2 4 2; 1 2 1] / 16 of a plane that is zero elsewhere.
    #[test]
    fn interpolation_is_the_kernels_transform() {
        let mut image = Image::new(8, 8, 3);
        image.info.from_mosaic = true;
        let optics = Optics::of(&image, &Facts::default());
        let (fx, fy) = (0.21, -0.13);
        let transform = |kernel: [[f64; 3]; 3]| {
            let mut sum = 0.0;
            for (y, row) in kernel.iter().enumerate() {
                for (x, k) in row.iter().enumerate() {
                    let phase = std::f64::consts::TAU * (fx * (x as f64 - 1.0) + fy * (y as f64 - 1.0));
                    sum += k * libm::cos(phase);
                }
            }
            sum
        };
        let pixel = mtf::pixel(fx) * mtf::pixel(fy);
        let green = transform([[0.0, 0.125, 0.0], [0.125, 0.5, 0.125], [0.0, 0.125, 0.0]]);
        let red = transform([[0.0625, 0.125, 0.0625], [0.125, 0.25, 0.125], [0.0625, 0.125, 0.0625]]);
        assert!((optics.kernels(1, fx, fy) - pixel * green).abs() < 1e-12);
        assert!((optics.kernels(0, fx, fy) - pixel * red).abs() < 1e-12);
    }

    // Nyquist f-ratio for 1.45 um and 550 nm is 5.2727 (two samples per cycle of the image-plane
    // cut-off 1 / (lambda N); textbook).
    #[test]
    fn the_cutoff_is_half_a_cycle_at_the_nyquist_focal_ratio() {
        let mut facts = Facts::default();
        for (name, value) in [
            ("telescope.aperture_mm", 100.0),
            ("telescope.focal_mm", 527.2727),
            ("camera.pixel_um", 1.45),
            ("camera.wavelength_nm", 550.0),
        ] {
            facts.set(name, FactValue::Number(value), FactOrigin::Session);
        }
        let optics = Optics::of(&Image::new(4, 4, 1), &facts);
        assert!((optics.cutoff[0] - 0.5).abs() < 1e-5);
    }
}
