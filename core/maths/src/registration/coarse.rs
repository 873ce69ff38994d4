//! A shift of many pixels from the peak of the whole cross-correlation.

use crate::fft::{Complex32, Fft2, Fft2Scratch, frequency};

/// Buffers of one caller.
#[derive(Clone, Debug, Default)]
pub struct CoarseScratch {
    product: Vec<Complex32>,
    surface: Vec<f32>,
    transform: Fft2Scratch,
}

/// The highest point of a correlation surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoarsePeak {
    /// Displacement of the frame along x in pixels.
    pub dx: f64,
    /// Displacement of the frame along y in pixels.
    pub dy: f64,
    /// Height of the peak over the surface's root mean square: below about 5 it is chance.
    pub significance: f64,
}

/// Offset in -0.5..0.5 of the vertex of a parabola through three equidistant samples, the
/// middle one the highest; 0 where they are level.
pub fn parabolic_peak(before: f64, at: f64, after: f64) -> f64 {
    let bend = before - 2.0 * at + after;
    if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// The displacement of `frame` against `reference` (half spectra of the same plan) that
/// maximises the cross-correlation with weights `|R|^(-2 w)` inside `band` (lowest and highest
/// frequency in cycles per pixel), at most `limit_px` along each axis, refined by parabolas to
/// about a tenth of a pixel. `None` where there is no signal.
///
/// # Panics
/// Where a spectrum does not fit the plan.
pub fn coarse_shift(
    plan: &Fft2,
    frame: &[Complex32],
    reference: &[Complex32],
    w: f64,
    band: (f64, f64),
    limit_px: f64,
    scratch: &mut CoarseScratch,
) -> Option<CoarsePeak> {
    assert!(frame.len() == plan.spectrum_len() && reference.len() == plan.spectrum_len());
    let (width, height, half) = (plan.width(), plan.height(), plan.half_width());
    scratch.product.resize(plan.spectrum_len(), Complex32::default());
    scratch.surface.resize(width * height, 0.0);
    for ky in 0..height {
        let fy = frequency(ky, height);
        for kx in 0..half {
            let i = ky * half + kx;
            let radius = libm::hypot(frequency(kx, width), fy);
            let power = f64::from(reference[i].norm_sqr());
            scratch.product[i] = if radius >= band.0 && radius <= band.1 && power > 0.0 {
                let weight = match w {
                    0.0 => 1.0,
                    0.5 => 1.0 / power.sqrt(),
                    _ => libm::pow(power, -w),
                };
                frame[i] * reference[i].conj() * weight as f32
            } else {
                Complex32::default()
            };
        }
    }
    plan.inverse(&mut scratch.product, &mut scratch.surface, &mut scratch.transform);
    let surface = &scratch.surface;
    let signed = |i: usize, n: usize| if 2 * i <= n { i as f64 } else { i as f64 - n as f64 };
    let mut best: Option<(usize, usize)> = None;
    for y in (0..height).filter(|&y| signed(y, height).abs() <= limit_px) {
        for x in (0..width).filter(|&x| signed(x, width).abs() <= limit_px) {
            let value = surface[y * width + x];
            if value.is_finite() && best.is_none_or(|(bx, by)| value > surface[by * width + bx]) {
                best = Some((x, y));
            }
        }
    }
    let (x, y) = best?;
    let at = |x: usize, y: usize| f64::from(surface[(y % height) * width + x % width]);
    let rms = (crate::dot(surface, surface) / surface.len() as f64).sqrt();
    let top = at(x, y);
    if rms.is_nan() || rms <= 0.0 || top <= 0.0 {
        return None;
    }
    Some(CoarsePeak {
        dx: signed(x, width) + parabolic_peak(at(x + width - 1, y), top, at(x + 1, y)),
        dy: signed(y, height) + parabolic_peak(at(x, y + height - 1), top, at(x, y + 1)),
        significance: top / rms,
    })
}
