//! The sums of least squares over frames, part by part of the field, and the picture that they give.

use stillair_api::{Context, Fault, Image, Outcome};
use stillair_maths::fft::Complex32;
use stillair_maths::rings;

use super::family::Family;
use super::ground::Ground;

/// What is added to the denominator, of its mean.
const EASE: f64 = 1e-3;
/// Frequency up to which a picture is the mean's, and from which on it is wholly the sums', of the cut-off. Where noise is
/// nothing, weighing the frames gains nothing, and what is mistaken about their blur shows: on two simulated clips this
/// start gained 0.1 to 0.5 dB over (0.1, 0.3), at the same correlation with the truth.
const LOWEST: (f64, f64) = (0.4, 0.7);

/// Sums of a half: numerators of each plane, denominator.
pub(super) struct Sums {
    pub(super) numerator: Vec<Vec<Complex32>>,
    pub(super) denominator: Vec<f32>,
}

/// A frame's share in the sums of a part.
pub(super) struct Share {
    pub(super) planes: Vec<Vec<Complex32>>,
    pub(super) power: Vec<f32>,
}

/// A part of the field whose frames' blur is told from noise.
pub(super) struct Told {
    pub(super) part: usize,
    pub(super) family: Family,
    /// Mean noise power of its frames.
    pub(super) noise: f64,
    pub(super) halves: [Sums; 2],
}

impl Sums {
    pub(super) fn new(planes: usize, coefficients: usize) -> Self {
        Self { numerator: vec![vec![Complex32::default(); coefficients]; planes], denominator: vec![0.0; coefficients] }
    }

    pub(super) fn add(&mut self, share: &Share) {
        for (sum, plane) in self.numerator.iter_mut().zip(&share.planes) {
            sum.iter_mut().zip(plane).for_each(|(s, v)| *s += v);
        }
        self.denominator.iter_mut().zip(&share.power).for_each(|(s, v)| *s += v);
    }
}

fn quotient(numerator: &[Complex32], denominator: &[f32]) -> Vec<Complex32> {
    let ease = EASE * denominator.iter().map(|d| f64::from(*d)).sum::<f64>() / denominator.len().max(1) as f64;
    numerator.iter().zip(denominator).map(|(n, d)| n / (d + ease as f32).max(f32::MIN_POSITIVE)).collect()
}

/// The mean with the sums' result in the parts that have one, halves too.
///
/// # Errors
/// If the run was cancelled.
pub(super) fn picture(context: &dyn Context, ground: &Ground, told: &[Told]) -> Outcome<Image> {
    let mut image = ground.mean.clone();
    let area = ground.canvas.area();
    for plane in 0..ground.canvas.planes {
        let range = plane * area..(plane + 1) * area;
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        let gain = gain(ground, told, plane);
        let both = |told: &Told| {
            let [a, b] = &told.halves;
            let numerator = a.numerator[plane].iter().zip(&b.numerator[plane]).map(|(a, b)| a + b);
            let denominator: Vec<f32> = a.denominator.iter().zip(&b.denominator).map(|(a, b)| a + b).collect();
            quotient(&numerator.collect::<Vec<Complex32>>(), &denominator)
        };
        image.data[range.clone()].copy_from_slice(&drawn(ground, told, ground.mean.channel(plane), &gain, both));
        if let Some(halves) = &mut image.halves {
            for (half, picture) in halves.iter_mut().enumerate() {
                let own = |told: &Told| quotient(&told.halves[half].numerator[plane], &told.halves[half].denominator);
                let mean = ground.mean.half(half, plane).unwrap_or(ground.mean.channel(plane));
                picture[range.clone()].copy_from_slice(&drawn(ground, told, mean, &gain, own));
            }
        }
    }
    Ok(image)
}

/// A plane of the mean, or of a half of it, with the parts' spectra times a gain in their places.
fn drawn(
    ground: &Ground,
    told: &[Told],
    mean: &[f32],
    gain: &[f64],
    spectrum: impl Fn(&Told) -> Vec<Complex32>,
) -> Vec<f32> {
    let last = gain.last().copied().unwrap_or(1.0);
    let mut off = vec![0.0; ground.canvas.area()];
    let (mut cell, mut before, mut scratch) = (Vec::new(), ground.plan.spectrum(), ground.plan.scratch());
    for own in told {
        let mut spectrum = spectrum(own);
        ground.cell(own.part, mean, &mut cell);
        ground.plan.forward(&cell, &mut before, &mut scratch);
        for ((value, mean), ring) in spectrum.iter_mut().zip(&before).zip(ground.rings.index()) {
            let gain = gain.get(usize::from(*ring)).copied().unwrap_or(last) as f32;
            *value = (*value * gain - mean) * share_of_ring(ground, usize::from(*ring));
        }
        ground.plan.inverse(&mut spectrum, &mut cell, &mut scratch);
        ground.add_cell(own.part, &cell, &mut off);
    }
    mean.iter().zip(&off).zip(&ground.edge).map(|((m, o), e)| m + o * e).collect()
}

/// How far a ring is taken from the sums.
fn share_of_ring(ground: &Ground, ring: usize) -> f32 {
    let (from, to) = LOWEST;
    let at = ((ground.rings.frequency(ring) / ground.cutoff - from) / (to - from)).clamp(0.0, 1.0);
    (0.5 - 0.5 * libm::cos(std::f64::consts::PI * at)) as f32
}

/// What brings the halves' sums to the transfer of the mean, ring by ring, over all parts that have sums: noise takes no part, as only
/// products of different halves enter. Rings on which the halves do not agree keep the gain of those before.
fn gain(ground: &Ground, told: &[Told], plane: usize) -> Vec<f64> {
    let whole = ground.mean.channel(plane);
    let fields = [0, 1].map(|half| -> Vec<f32> {
        let own = ground.mean.half(half, plane).unwrap_or(whole);
        own.iter().zip(whole).zip(&ground.edge).map(|((v, m), e)| m + (v - m) * e).collect()
    });
    let rings = &ground.rings;
    let add = |sums: &mut Vec<f64>, values: Vec<f64>| {
        sums.resize(values.len(), 0.0);
        sums.iter_mut().zip(values).for_each(|(s, v)| *s += v);
    };
    let (mut both, mut own, mut powers) = (Vec::new(), Vec::new(), [Vec::new(), Vec::new()]);
    let (mut cell, mut scratch) = (Vec::new(), ground.plan.scratch());
    for part in told {
        let means = fields.each_ref().map(|field| {
            let mut spectrum = ground.plan.spectrum();
            ground.cell(part.part, field, &mut cell);
            ground.plan.forward(&cell, &mut spectrum, &mut scratch);
            spectrum
        });
        let halves = part.halves.each_ref().map(|h| quotient(&h.numerator[plane], &h.denominator));
        add(&mut both, rings.cross_power(&halves[0], &means[1]));
        add(&mut both, rings.cross_power(&halves[1], &means[0]));
        add(&mut own, rings.cross_power(&halves[0], &halves[1]));
        powers.iter_mut().zip(&halves).for_each(|(sum, half)| add(sum, rings.power(half)));
    }
    let agreement: Vec<f64> = (0..own.len())
        .map(|i| {
            let power = (powers[0][i] * powers[1][i]).sqrt();
            if power > 0.0 { own[i] / power } else { 0.0 }
        })
        .collect();
    let (both, own) = (rings::smooth(&both, 1), rings::smooth(&own, 1));
    let agreement = rings::smooth(&agreement, 1);
    let mut last = 1.0;
    (0..own.len())
        .map(|i| {
            if agreement[i] > 0.2 && own[i] > 0.0 && both[i] > 0.0 {
                last = (0.5 * both[i] / own[i]).clamp(0.5, 2.0);
            }
            last
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quotient_is_that_of_the_sums() {
        let n = vec![Complex32::new(2.0, 4.0); 5];
        let q = quotient(&n, &[2.0; 5]);
        assert!(q.iter().all(|v| (v.re - 1.0).abs() < 2e-3 && (v.im - 2.0).abs() < 4e-3));
    }
}
