//! Colours estimated together.
//!
//! Markings of a planet show in all colours, stronger in one and weaker in another, while the noise of the colours is
//! their own. So where blue is lost in its noise, green tells most of what blue must show. Per ring of frequencies the
//! stacks are `Y = M X + N`: X the object's spectra with covariance S between colours, M the transfers, N the noise.
//! The linear estimate of least mean square error is `X = S M (M S M + N)^-1 Y` (Wiener 1949; for several channels of
//! one picture Hunt & Kuebler 1984, IEEE Trans. ASSP 32, 592; Galatsanos & Chin 1989, IEEE Trans. ASSP 37, 415). With
//! one colour it is the share of signal `C` over the transfer.
//!
//! All of it is measured: the noise from the difference of the half-stacks, a colour's own power `S_aa` from its
//! coherence, `S_ab` from the cross power of two colours, whose mean holds no noise. What two colours share, as a
//! correlation between -1 and 1, changes slowly with frequency; it is gathered over rings by weights that fall where
//! either colour's noise outweighs its signal, so that it is carried on from where it is known.

use nalgebra::DMatrix;
use stillair_maths::fft::Complex32;
use stillair_maths::rings::{self, Rings};

use super::noise::Law;

/// One colour's part.
#[derive(Debug)]
pub struct Colour<'a> {
    /// Spectrum of the stack less the model of its disc.
    pub residual: &'a [Complex32],
    /// Spectrum of half the difference of the half-stacks.
    pub difference: Option<&'a [Complex32]>,
    /// The stack's transfer for every coefficient.
    pub transfer: &'a [f32],
    /// Noise power per ring.
    pub noise: &'a [f64],
    /// Share of signal per ring.
    pub coherence: &'a [f64],
    /// How the object's power falls.
    pub law: Option<Law>,
    /// Cut-off, cycles per px.
    pub cutoff: f64,
}

/// First ring in which colours help each other: those before hold few coefficients, and what clouds did to the sky's level.
const FIRST: usize = 4;
/// What counts as noise where colours help each other, over what the half-stacks differ by: they also share what is not
/// in the object (distortion that outlasts a frame, the mosaic's aliasing). On nine simulated clips 1.3 to 1.7 gains 0.06
/// to 0.07 dB in the mean over 1; of a colour by itself nothing.
const SHARED: f64 = 1.5;
/// Width over which what colours share is gathered, of the frequency.
const GATHERED: f64 = 0.15;
/// Most that two colours are taken to share.
const MOST: f64 = 0.995;
/// Least transfer with which a colour still tells something.
const LEAST_TRANSFER: f64 = 1e-3;

/// A colour's rings.
struct Curves {
    power: Vec<f64>,
    transfer: Vec<f64>,
}

/// For every colour, the part that each colour has in its estimate, per ring: coefficients of the stack of colour `b`
/// over its transfer, times `shares[c][b]`, summed over `b`, estimate the object in colour `c`. With one colour that is
/// its coherence. From the ring on where no colour's half-stacks agree all are 0. Besides, the share of each colour's
/// signal that its estimate reaches, per ring.
pub fn shares(rings: &Rings, colours: &[Colour<'_>]) -> (Vec<Vec<Vec<f64>>>, Vec<Vec<f64>>) {
    let count = colours.len();
    let ring_count = rings.count();
    let curves: Vec<Curves> = colours
        .iter()
        .map(|colour| {
            let power: Vec<f64> = rings.power(colour.residual).iter().map(|p| libm::log(p.max(1e-30))).collect();
            let transfer: Vec<Complex32> = colour.transfer.iter().map(|m| Complex32::new(*m, 0.0)).collect();
            Curves {
                power: rings::smooth(&power, 1).into_iter().map(libm::exp).collect(),
                transfer: rings.power(&transfer).into_iter().map(f64::sqrt).collect(),
            }
        })
        .collect();
    let mut cross = vec![vec![(Vec::new(), Vec::new()); count]; count];
    for a in 0..count {
        for b in 0..a {
            let noise = match (colours[a].difference, colours[b].difference) {
                (Some(first), Some(second)) => rings.cross_power(first, second),
                _ => vec![0.0; ring_count],
            };
            let all = rings.cross_power(colours[a].residual, colours[b].residual);
            let own = |c: usize, i: usize| (curves[c].power[i] - colours[c].noise[i]).max(0.0);
            let shared = correlation(rings, &curves[a], &curves[b], |i| [all[i] - noise[i], own(a, i), own(b, i)]);
            cross[a][b] = (shared, rings::smooth(&noise, 2));
        }
    }
    let last = colours.iter().filter_map(|c| c.coherence.iter().rposition(|v| *v > 0.0)).max();
    let mut out = vec![vec![vec![0.0; ring_count]; count]; count];
    let mut reached = vec![vec![0.0; ring_count]; count];
    let alone = |out: &mut Vec<Vec<Vec<f64>>>, reached: &mut Vec<Vec<f64>>, i: usize| {
        for (c, colour) in colours.iter().enumerate() {
            out[c][c][i] = colour.coherence[i];
            reached[c][i] = out[c][c][i];
        }
    };
    for i in 0..last.map_or(0, |l| l + 1) {
        if i < FIRST {
            alone(&mut out, &mut reached, i);
            continue;
        }
        let f = rings.frequency(i);
        let tells = |c: usize| f < colours[c].cutoff && curves[c].transfer[i] > LEAST_TRANSFER;
        let object: Vec<f64> =
            (0..count).map(|c| if tells(c) { object_power(&colours[c], &curves[c], i, f) } else { 0.0 }).collect();
        let shared = |a: usize, b: usize| cross[a.max(b)][a.min(b)].0[i];
        let correlated = positive(count, |a, b| if a == b { 1.0 } else { shared(a, b) });
        let signal = DMatrix::from_fn(count, count, |a, b| correlated[(a, b)] * (object[a] * object[b]).sqrt());
        let seen = DMatrix::from_fn(count, count, |a, b| {
            let through = curves[a].transfer[i] * curves[b].transfer[i] * signal[(a, b)];
            if a != b {
                return if tells(a) && tells(b) { through + cross[a.max(b)][a.min(b)].1[i] } else { 0.0 };
            }
            // What the half-stacks share beyond the object counts as noise.
            let rest = (curves[a].power[i] - through).max(SHARED * colours[a].noise[i]);
            if tells(a) { through + rest.max(1e-30) } else { 1.0 }
        });
        let Some(seen) = seen.cholesky() else {
            alone(&mut out, &mut reached, i);
            continue;
        };
        // A^-1 M S, transposed: rows are the colours that are estimated.
        let right = DMatrix::from_fn(count, count, |a, b| curves[a].transfer[i] * signal[(a, b)]);
        let found = seen.solve(&right);
        for c in 0..count {
            for b in 0..count {
                out[c][b][i] = found[(b, c)] * curves[b].transfer[i];
                if signal[(c, c)] > 0.0 {
                    reached[c][i] += out[c][b][i] * signal[(b, c)] / signal[(c, c)];
                }
            }
        }
    }
    (out, reached)
}

/// Power of the object in a ring: what the half-stacks agree on, or what the law carries on from there.
fn object_power(colour: &Colour<'_>, curves: &Curves, i: usize, frequency: f64) -> f64 {
    let own = colour.coherence[i] * curves.power[i] / (curves.transfer[i] * curves.transfer[i]);
    if own > 0.0 {
        return own;
    }
    colour.law.map_or(0.0, |law| law.at(frequency))
}

/// What two colours share in every ring, -1 to 1; `powers(i)` gives their cross power and own powers without noise.
fn correlation(rings: &Rings, a: &Curves, b: &Curves, powers: impl Fn(usize) -> [f64; 3]) -> Vec<f64> {
    // Per ring: logarithm of its frequency, weight, and the three powers before the transfer, over f^-3.
    let known: Vec<(f64, f64, [f64; 3])> = (1..rings.count())
        .filter(|i| a.transfer[*i] > LEAST_TRANSFER && b.transfer[*i] > LEAST_TRANSFER)
        .filter(|i| a.power[*i] > 0.0 && b.power[*i] > 0.0)
        .map(|i| {
            let f = rings.frequency(i);
            let law = 1.0 / (f * f * f);
            let (ma, mb) = (a.transfer[i], b.transfer[i]);
            let [shared, own_a, own_b] = powers(i);
            let object = [shared / (ma * mb * law), own_a / (ma * ma * law), own_b / (mb * mb * law)];
            let weight = rings.counts()[i] * (ma * mb * law) * (ma * mb * law) / (a.power[i] * b.power[i]);
            (libm::log(f), weight, object)
        })
        .collect();
    (0..rings.count())
        .map(|i| {
            let at = libm::log(rings.frequency(i.max(1)));
            let mut sums = [0.0; 3];
            for (log, weight, object) in &known {
                let off = (log - at) / GATHERED;
                let near = weight / (1.0 + off * off * off * off);
                for (sum, value) in sums.iter_mut().zip(object) {
                    *sum += near * value;
                }
            }
            let norm = (sums[1] * sums[2]).sqrt();
            let shared = sums[0] / norm;
            if shared.is_finite() { shared.clamp(-MOST, MOST) } else { 0.0 }
        })
        .collect()
}

/// A matrix of correlations, what is shared lessened until it is one: of finite values, which fade to the unit matrix.
fn positive(count: usize, value: impl Fn(usize, usize) -> f64) -> DMatrix<f64> {
    let mut matrix = DMatrix::from_fn(count, count, value);
    while matrix.clone().cholesky().is_none() {
        matrix = DMatrix::from_fn(count, count, |a, b| if a == b { 1.0 } else { 0.9 * matrix[(a, b)] });
    }
    matrix
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synthetic::normals;
    use stillair_maths::fft::Fft2;

    const SIDE: usize = 128;

    /// Spectra of pictures of white noise of variance 1.
    fn white(count: usize, seed: u64) -> Vec<Vec<Complex32>> {
        let plan = Fft2::new(SIDE, SIDE);
        let mut scratch = plan.scratch();
        let mut normal = normals(seed);
        let mut draw = |_| {
            let picture: Vec<f32> = (0..SIDE * SIDE).map(|_| normal()).collect();
            let mut spectrum = plan.spectrum();
            plan.forward(&picture, &mut spectrum, &mut scratch);
            spectrum
        };
        (0..count).map(&mut draw).collect()
    }

    fn sum(a: &[Complex32], b: &[Complex32], factor: f32) -> Vec<Complex32> {
        a.iter().zip(b).map(|(a, b)| a + b * factor).collect()
    }

    /// Shares of two colours of signals `a` and `b`, transfer 1, noise of variances 0.5 and 2.
    fn two(a: &[Complex32], b: &[Complex32]) -> Vec<Vec<Vec<f64>>> {
        let rings = Rings::new(SIDE, SIDE);
        let unit = (SIDE * SIDE) as f64;
        let noise = white(4, 9);
        let seen = [sum(a, &noise[0], 0.5_f32.sqrt()), sum(b, &noise[1], 2.0_f32.sqrt())];
        let scaled = |of: &[Complex32], by: f32| -> Vec<Complex32> { of.iter().map(|v| v * by).collect() };
        let differences = [scaled(&noise[2], 0.5_f32.sqrt()), scaled(&noise[3], 2.0_f32.sqrt())];
        let transfer = vec![1.0; seen[0].len()];
        let (noises, coherences) = ([0.5, 2.0].map(|v| vec![v * unit; rings.count()]), [1.0 / 1.5, 1.0 / 3.0]);
        let coherences = coherences.map(|c| vec![c; rings.count()]);
        let colours: Vec<Colour<'_>> = (0..2)
            .map(|c| Colour {
                residual: &seen[c],
                difference: Some(&differences[c]),
                transfer: &transfer,
                noise: &noises[c],
                coherence: &coherences[c],
                law: None,
                cutoff: 0.7,
            })
            .collect();
        shares(&rings, &colours).0
    }

    fn mean(curve: &[f64]) -> f64 {
        curve[20..60].iter().sum::<f64>() / 40.0
    }

    // Two measurements of one quantity of variance S: the estimate of least mean square error weighs them by their inverse
    // variances, `w_a = (1 / N_a) / (1 / S + 1 / N_a + 1 / N_b)` (Kay 1993, Fundamentals of Statistical Signal Processing,
    // vol. 1, section 12.3; from memory).
    #[test]
    fn what_two_colours_share_is_weighed_by_inverse_variances() {
        let same = &white(1, 3)[0];
        let found = two(same, same);
        let (a, b) = (1.0 / (0.5 * SHARED), 1.0 / (2.0 * SHARED));
        for row in &found {
            for (curve, weight) in row.iter().zip([a, b]) {
                let expected = weight / (1.0 + a + b);
                assert!((mean(curve) / expected - 1.0).abs() < 0.1, "{} {expected}", mean(curve));
            }
        }
    }

    // Independent quantities tell nothing of each other (textbook).
    #[test]
    fn what_colours_do_not_share_stays_apart() {
        let both = white(2, 4);
        let found = two(&both[0], &both[1]);
        for (c, noise) in [(0, 0.5), (1, 2.0)] {
            assert!((mean(&found[c][c]) * (1.0 + SHARED * noise) - 1.0).abs() < 0.1, "{}", mean(&found[c][c]));
            assert!(mean(&found[c][1 - c]).abs() < 0.05, "{}", mean(&found[c][1 - c]));
        }
    }
}
