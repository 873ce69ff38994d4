//! Bands of a globe: how its brightness goes with latitude, beside limb darkening.
//!
//! A banded globe is no plain disc, and a fit that knows no bands takes them for blur: dark poles
//! for a wider halo, a bright equator for another radius. From a first fit the stack is sharpened
//! towards a soft Gaussian; its mean over the middle of each parallel over that of the plain disc
//! is the band's factor. The globe times (factor - 1) is then added to the disc. The ends of the
//! parallels, where the limb tells the blur, take no part. Parallels count as straight: right for
//! a globe seen near its equator.

use stillair_maths::fft::Complex32;
use stillair_maths::mtf;

use super::canvas::Canvas;
use super::limb::{self, LimbFit};
use super::noise;
use crate::wiener::target;

/// Width of the soft target, lambda/D.
const SOFT_FWHM: f64 = 1.2;
/// Part of a parallel's half length that is used.
const MIDDLE: f64 = 0.7;
/// Share of the polar radius beyond which the outermost factor is kept.
const REACH: f64 = 0.9;

/// Everything a channel brings.
pub struct Source<'a> {
    /// The stack.
    pub picture: &'a [f32],
    /// The stack's transfer by the first fit.
    pub transfer: &'a [f32],
    /// Noise power per ring.
    pub noise: &'a [f64],
    /// Cut-off, cycles per px.
    pub cutoff: f64,
}

/// Coordinates on the globe: along the equator and along the pole, in semi-axes.
struct Axes {
    centre: (f64, f64),
    semi: (f64, f64),
    cos: f64,
    sin: f64,
}

impl Axes {
    fn of(fit: &LimbFit, channel: usize) -> Self {
        let (equatorial, polar, tilt) = fit.ellipse.axes();
        Self {
            centre: fit.channels[channel].centre_px,
            semi: (equatorial, polar),
            cos: libm::cos(tilt),
            sin: libm::sin(tilt),
        }
    }

    fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let (dx, dy) = (x - self.centre.0, y - self.centre.1);
        ((dx * self.cos + dy * self.sin) / self.semi.0, (dy * self.cos - dx * self.sin) / self.semi.1)
    }
}

/// Spectrum of what bands add to a disc of brightness 1, all coefficients.
pub fn spectrum(canvas: &Canvas, fit: &LimbFit, channel: usize, source: &Source<'_>) -> Vec<Complex32> {
    let axes = Axes::of(fit, channel);
    let factors = factors(canvas, fit, channel, source, &axes);
    let exponent = fit.channels[channel].exponent;
    let (w, h) = (canvas.plan.width(), canvas.plan.height());
    let mut field = vec![0.0_f32; w * h];
    const FINE: usize = 3;
    // The power is read from a table: there are many pixels.
    const STEPS: usize = 1024;
    let powers: Vec<f64> = (0..=STEPS + 1).map(|i| libm::pow(i as f64 / STEPS as f64, exponent)).collect();
    let darkening = |mu: f64| {
        let at = mu * STEPS as f64;
        let i = (at as usize).min(STEPS);
        powers[i] + (at - i as f64) * (powers[i + 1] - powers[i])
    };
    for y in 0..canvas.height {
        for x in 0..canvas.width {
            let (u, v) = axes.at(x as f64, y as f64);
            if u * u + v * v > 1.2 {
                continue;
            }
            let mut sum = 0.0;
            for sub in 0..FINE * FINE {
                let step = |i: usize| (i as f64 + 0.5) / FINE as f64 - 0.5;
                let (u, v) = axes.at(x as f64 + step(sub % FINE), y as f64 + step(sub / FINE));
                let mu2 = 1.0 - u * u - v * v;
                if mu2 > 0.0 {
                    sum += darkening(mu2.sqrt()) * (factor_at(&factors, v) - 1.0);
                }
            }
            field[y * w + x] = (sum / (FINE * FINE) as f64) as f32;
        }
    }
    let mut spectrum = canvas.plan.spectrum();
    canvas.plan.forward(&field, &mut spectrum, &mut canvas.plan.scratch());
    // Drawn as means over pixels; the transfer holds the pixel too.
    for ((fx, fy), value) in canvas.frequencies().zip(&mut spectrum) {
        *value /= (mtf::pixel(fx) * mtf::pixel(fy)) as f32;
    }
    spectrum
}

fn factor_at(factors: &[f64], v: f64) -> f64 {
    let last = factors.len() - 1;
    let at = (v.clamp(-REACH, REACH) + 1.0) / 2.0 * last as f64;
    let i = (at as usize).min(last - 1);
    factors[i] + (at - i as f64) * (factors[i + 1] - factors[i])
}

/// Factor of each parallel from -1 to 1 polar radii, about one per px.
fn factors(canvas: &Canvas, fit: &LimbFit, channel: usize, source: &Source<'_>, axes: &Axes) -> Vec<f64> {
    let own = &fit.channels[channel];
    let mut scratch = canvas.plan.scratch();
    let area = canvas.width * canvas.height;
    let object = limb::object_spectrum(canvas, fit, channel);
    let mut blurred: Vec<Complex32> = object.iter().zip(source.transfer).map(|(o, m)| o * *m).collect();
    let (mut model, mut disc, mut picture) = (vec![0.0; area], vec![0.0; area], vec![0.0; area]);
    canvas.inverse(&mut blurred, own.sky as f32, &mut model, &mut scratch);
    let left: Vec<f32> = source.picture.iter().zip(&model).map(|(v, m)| v - m).collect();
    let residual = canvas.forward(&left, 0.0, &mut scratch);
    let (coherence, _) = noise::markings(&canvas.rings, &residual, source.noise, source.transfer, source.cutoff, 1.0);
    let size = canvas.plan.width().min(canvas.plan.height()) as f64;
    let mut soft = object;
    let mut sharp = residual;
    for (((fx, fy), m), (o, r)) in canvas.frequencies().zip(source.transfer).zip(soft.iter_mut().zip(sharp.iter_mut()))
    {
        let f = libm::hypot(fx, fy);
        let t = target(SOFT_FWHM, f / source.cutoff);
        let gain = if *m > 1e-4 { (t / f64::from(*m) * noise::at(&coherence, f * size)).min(10.0) } else { 0.0 };
        *o *= t as f32;
        *r = *r * gain as f32 + *o;
    }
    canvas.inverse(&mut soft, 0.0, &mut disc, &mut scratch);
    canvas.inverse(&mut sharp, 0.0, &mut picture, &mut scratch);
    let count = (2.0 * axes.semi.1).max(8.0) as usize;
    let mut sums = vec![(0.0_f64, 0.0_f64); count + 1];
    for (i, (p, d)) in picture.iter().zip(&disc).enumerate() {
        let (u, v) = axes.at((i % canvas.width) as f64, (i / canvas.width) as f64);
        if v.abs() < REACH + 0.05 && u.abs() < MIDDLE * (1.0 - v * v).max(0.0).sqrt() {
            let at = (v + 1.0) / 2.0 * count as f64;
            let k = (at as usize).min(count - 1);
            for (bin, weight) in [(k, 1.0 - (at - k as f64)), (k + 1, at - k as f64)] {
                sums[bin].0 += weight * f64::from(*p);
                sums[bin].1 += weight * f64::from(*d);
            }
        }
    }
    sums.iter().map(|(p, d)| if *d > 0.0 { (p / d).clamp(0.2, 3.0) } else { 1.0 }).collect()
}
