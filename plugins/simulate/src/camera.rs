//! From light to numbers: sensor, noise, converter.
//!
//! Signal of a pixel in digital units = bias + (Poisson(electrons) + read noise) / gain, rounded to the
//! nearest unit and held to the converter's range; the variance is therefore
//! (mean / gain + (read noise / gain)^2 + 1/12) in units squared (Janesick, Photon Transfer, 2007, ch. 4;
//! the last term is the rounding's).

use crate::clip::{Alignment, Camera, Layout};
use crate::random::{Random, Stream};

/// The sensor with its faults.
pub(crate) struct Sensor {
    camera: Camera,
    seed: u64,
    /// Relative sensitivity of every pixel.
    pub(crate) shading: Vec<f32>,
    /// Pixel and the electrons it adds to every frame.
    hot: Vec<(usize, f64)>,
    /// Electrons at radiance 1 in green.
    pub(crate) electrons_per_unit: f64,
    /// Sensitivity of each channel.
    sensitivity: Vec<f64>,
}

impl Sensor {
    pub(crate) fn new(camera: &Camera, sensitivity: Vec<f64>, seed: u64) -> Self {
        let (w, h) = (camera.width, camera.height);
        let mut random = Random::new(seed, Stream::Sensor, 0);
        let full = f64::from((1u32 << camera.bits) - 1) * camera.gain_e_per_adu;
        let electrons_per_unit = full * camera.exposure_level;
        let hot = (0..camera.hot_pixels)
            .map(|_| {
                let at = ((random.uniform() * h as f64) as usize).min(h - 1) * w
                    + ((random.uniform() * w as f64) as usize).min(w - 1);
                (at, full * random.between(0.1, 0.9))
            })
            .collect();
        let diagonal = (w as f64).hypot(h as f64) / 2.0;
        let specks: Vec<[f64; 4]> = (0..camera.dust)
            .map(|_| {
                [
                    random.between(0.05, 0.95) * w as f64,
                    random.between(0.05, 0.95) * h as f64,
                    random.between(5.0, 14.0),
                    random.between(0.05, 0.18),
                ]
            })
            .collect();
        let mut shading = Vec::with_capacity(w * h);
        for y in 0..h {
            for x in 0..w {
                let r = (x as f64 - (w as f64 - 1.0) / 2.0).hypot(y as f64 - (h as f64 - 1.0) / 2.0) / diagonal;
                let mut value = 1.0 - camera.vignetting * r * r;
                for [sx, sy, radius, depth] in &specks {
                    // A speck out of focus: the shadow of the obstructed aperture, a soft ring.
                    let d = (x as f64 - sx).hypot(y as f64 - sy) / radius;
                    let edge = |at: f64| 1.0 / (1.0 + libm::exp((d - at) * 12.0));
                    value *= 1.0 - depth * (edge(1.0) - edge(0.35));
                }
                shading.push(value as f32);
            }
        }
        Self { camera: *camera, seed, shading, hot, electrons_per_unit, sensitivity }
    }

    /// Numbers of one frame. `planes`: radiance on the sensor, a plane a channel (one for mono), background
    /// included. Interleaved for a colour camera.
    pub(crate) fn read_out(&self, planes: &[Vec<f32>], stream: Stream, counter: u64) -> Vec<u16> {
        let camera = &self.camera;
        let (w, h) = (camera.width, camera.height);
        let mut random = Random::new(self.seed, stream, counter);
        let top = f64::from((1u32 << camera.bits) - 1);
        let shift = if camera.alignment == Alignment::Left && camera.bits > 8 { 16 - camera.bits } else { 0 };
        let per_pixel = if camera.layout == Layout::Rgb { 3 } else { 1 };
        let mut hot = vec![];
        if !self.hot.is_empty() {
            hot = vec![0f32; w * h];
            for (at, electrons) in &self.hot {
                hot[*at] += *electrons as f32;
            }
        }
        let mut out = Vec::with_capacity(w * h * per_pixel);
        let inverse_gain = 1.0 / camera.gain_e_per_adu;
        for y in 0..h {
            for x in 0..w {
                let k = y * w + x;
                for c in 0..per_pixel {
                    let colour = match camera.layout {
                        Layout::Mono => 0,
                        Layout::Mosaic(pattern) => pattern.colour(x, y),
                        Layout::Rgb => c,
                    };
                    let sensitivity = self.sensitivity[colour];
                    let light =
                        f64::from(planes[colour][k].max(0.0) * self.shading[k]) * sensitivity * self.electrons_per_unit;
                    let extra = hot.get(k).map_or(0.0, |e| f64::from(*e));
                    let electrons = random.poisson(light + extra) + camera.read_noise_e * f64::from(random.normal());
                    let value = (camera.bias_adu + electrons * inverse_gain).round().clamp(0.0, top);
                    out.push((value as u16) << shift);
                }
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::PlanetClip;

    /// Photon transfer: variance = mean / gain + (read noise / gain)^2 + 1/12 (Janesick 2007, ch. 4), to five
    /// standard errors of the variance.
    #[test]
    fn variance_grows_with_the_mean() {
        let mut camera = PlanetClip::default().camera;
        (camera.width, camera.height, camera.hot_pixels, camera.layout) = (400, 400, 0, Layout::Mono);
        (camera.bits, camera.alignment, camera.gain_e_per_adu, camera.read_noise_e, camera.bias_adu) =
            (12, Alignment::Right, 2.0, 3.0, 50.0);
        let sensor = Sensor::new(&camera, vec![1.0], 5);
        for (counter, radiance) in [0.0, 0.05, 0.3, 1.0].into_iter().enumerate() {
            let frame = sensor.read_out(&[vec![radiance as f32; 160_000]], Stream::Noise, counter as u64);
            let n = frame.len() as f64;
            let mean = frame.iter().map(|v| f64::from(*v)).sum::<f64>() / n;
            let variance = frame.iter().map(|v| (f64::from(*v) - mean).powi(2)).sum::<f64>() / n;
            let signal = radiance * sensor.electrons_per_unit / 2.0;
            let expected = signal / 2.0 + 2.25 + 1.0 / 12.0;
            assert!((mean - 50.0 - signal).abs() < 5.0 * (expected / n).sqrt(), "{mean} {signal}");
            assert!((variance / expected - 1.0).abs() < 5.0 * (2.0 / n).sqrt(), "{variance} {expected}");
        }
    }

    #[test]
    fn left_aligned_samples_use_the_high_bits() {
        let mut camera = PlanetClip::default().camera;
        (camera.bits, camera.alignment) = (12, Alignment::Left);
        let sensor = Sensor::new(&camera, camera.sensitivity.to_vec(), 5);
        let planes = vec![vec![0.5f32; camera.width * camera.height]; 3];
        let frame = sensor.read_out(&planes, Stream::Noise, 0);
        assert!(frame.iter().all(|v| v & 15 == 0) && frame.iter().any(|v| *v > 4095));
    }
}
