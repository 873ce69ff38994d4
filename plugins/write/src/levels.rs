//! From linear `f32` to whole numbers: the only place where values are clamped, rounded or given a transfer curve.

use stillair_api::{Image, Outcome, Parameter, Parameters};

/// How linear light becomes the number that is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Transfer {
    /// As it is.
    Linear,
    /// The sRGB curve, which screens expect.
    Srgb,
}

impl Transfer {
    /// The parameter `transfer`.
    pub(crate) fn parameter() -> Parameter {
        Parameter::choice(
            "transfer",
            &["srgb", "linear"],
            "srgb",
            "curve from light to stored numbers: srgb is what screens expect, linear keeps numbers proportional to light",
        )
    }

    /// Reads the parameter `transfer`.
    pub(crate) fn read(parameters: &Parameters) -> Outcome<Self> {
        Ok(if parameters.text("transfer")? == "linear" { Transfer::Linear } else { Transfer::Srgb })
    }

    /// Light within 0..1 to the stored value within 0..1. The sRGB curve is that of IEC 61966-2-1.
    fn encode(self, light: f32) -> f32 {
        match self {
            Transfer::Linear => light,
            Transfer::Srgb if light <= 0.003_130_8 => 12.92 * light,
            Transfer::Srgb => 1.055 * libm::powf(light, 1.0 / 2.4) - 0.055,
        }
    }

    /// A white level's share to a whole number up to `top`; what is not a number becomes 0.
    fn quantise(self, value: f32, top: f32) -> f32 {
        let light = if value.is_finite() { value.clamp(0.0, 1.0) } else { 0.0 };
        (self.encode(light) * top + 0.5).floor()
    }

    /// To 16 bits.
    pub(crate) fn to_u16(self, value: f32) -> u16 {
        self.quantise(value, 65_535.0) as u16
    }

    /// To 8 bits.
    pub(crate) fn to_u8(self, value: f32) -> u8 {
        self.quantise(value, 255.0) as u8
    }
}

/// Calls `write` with each value of the rows `rows`, the channels of a pixel together.
pub(crate) fn interleave(image: &Image, rows: std::ops::Range<usize>, mut write: impl FnMut(f32)) {
    let part = rows.start * image.width..rows.end * image.width;
    if image.channels == 1 {
        image.channel(0)[part].iter().for_each(|v| write(*v));
        return;
    }
    let planes = [0, 1, 2].map(|channel| &image.channel(channel)[part.clone()]);
    for ((r, g), b) in planes[0].iter().zip(planes[1]).zip(planes[2]) {
        write(*r);
        write(*g);
        write(*b);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_srgb_curve_is_that_of_the_standard() {
        // IEC 61966-2-1: 18 % grey is 117.6 of 255 (commonly 118), 50 % light is 188, the straight part ends at
        // 0.0031308 -> 0.04045; the last from the standard's text, the others worked out from its formula.
        for (light, stored) in [(0.0, 0u8), (1.0, 255), (0.18, 118), (0.5, 188), (0.214_041, 127), (0.002, 7)] {
            assert_eq!(Transfer::Srgb.to_u8(light), stored, "light {light}");
        }
        assert!((Transfer::Srgb.encode(0.003_130_8) - 0.040_45).abs() < 1e-6);
        assert!((Transfer::Srgb.encode(0.003_130_9) - 0.040_45).abs() < 1e-5);
    }

    #[test]
    fn what_cannot_be_stored_is_clamped_and_what_is_no_number_is_black() {
        for transfer in [Transfer::Linear, Transfer::Srgb] {
            let stored = [-0.1, 1.5, f32::NAN, f32::INFINITY, f32::NEG_INFINITY].map(|v| transfer.to_u16(v));
            assert_eq!(stored, [0, 65_535, 0, 0, 0]);
        }
    }

    #[test]
    fn every_16_bit_level_survives() {
        for level in 0..=65_535u16 {
            assert_eq!(Transfer::Linear.to_u16(f32::from(level) / 65_535.0), level);
        }
    }
}
