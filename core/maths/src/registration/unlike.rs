//! The shift between two pictures of one scene in different light.
//!
//! Belts and spots differ from colour to colour, so the weight of each frequency follows from how well the colours agree
//! there: in rings of frequency the other colour `C` is `a G e^(-2 pi i u.s)` plus what is left, and the shift maximises
//! `Re sum w C conj(G) e^(2 pi i u.s)` with `w = a / sigma^2`, `sigma^2` being the ring's mean square of what is left.
//! Single coefficients far off the model count less (Student's t). Factors, scatter and shift are set anew in turn. Where
//! noise rules, or where the colours show different things, frequencies weigh little of themselves. Source of the
//! weights: Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84, 881.

use super::{BandSet, NewtonScratch, ShiftFit, newton_shift, whitening};
use crate::fft::Complex32;

/// Rings of equal width from zero to the cut-off.
const RINGS: f64 = 12.0;

/// Times that the weights are set anew.
const REWEIGHTINGS: usize = 8;

/// Most Newton steps.
const STEPS: usize = 30;

/// Shift (x, y) in px of a packed spectrum against a packed reference of the same bands; `None` where they do not match.
///
/// `cutoff` is the optical one in cycles per px; a shift of more than `largest_px` is not believed; `undo(packed, shift,
/// out)` moves a packed picture whose content is displaced by `shift` px back: [`undo_shift`] does.
pub fn unlike_shift(
    set: &BandSet,
    moving: &[Complex32],
    reference: &[Complex32],
    cutoff: f64,
    largest_px: f64,
    mut undo: impl FnMut(&[Complex32], [f64; 2], &mut Vec<Complex32>),
) -> Option<[f64; 2]> {
    let mut newton = NewtonScratch::default();
    let weights = whitening(set, reference, 0.5);
    let first = newton_shift(set, moving, reference, &weights, (0.0, 0.0), STEPS, &mut newton);
    let sound = |fit: &ShiftFit| fit.correlation > 0.0 && libm::hypot(fit.dx, fit.dy) < largest_px;
    if !sound(&first) {
        return None;
    }
    let rings: Vec<usize> = set
        .frequencies()
        .iter()
        .map(|(u, v)| (libm::hypot(*u, *v) / cutoff * RINGS).clamp(0.0, 2.0 * RINGS) as usize)
        .collect();
    let count = rings.iter().max()? + 1;
    let mut shift = [first.dx, first.dy];
    let mut trust = set.multiplicity().to_vec();
    let mut back = Vec::new();
    for _ in 0..REWEIGHTINGS {
        undo(moving, shift, &mut back);
        let (gain, noise) = ring_statistics(&rings, count, &back, reference, &trust);
        let mut weights = vec![0.0_f32; trust.len()];
        for (i, weight) in weights.iter_mut().enumerate() {
            let (ring, times) = (rings[i], set.multiplicity()[i]);
            if noise[ring] <= 0.0 || times == 0.0 {
                continue;
            }
            let off = f64::from((back[i] - reference[i] * gain[ring] as f32).norm_sqr()) / noise[ring];
            // Student's t with one degree of freedom for both parts of a coefficient.
            let doubt = 3.0 / (1.0 + 2.0 * off);
            trust[i] = times * doubt as f32;
            *weight = times * (doubt * gain[ring].max(0.0) / noise[ring]) as f32;
        }
        // Only ratios count; large numbers would leave the range of f32 in the sums.
        let largest = weights.iter().zip(reference).map(|(w, r)| w * r.norm_sqr()).fold(0.0_f32, f32::max);
        if largest.is_nan() || largest <= 0.0 || largest.is_infinite() {
            return None;
        }
        weights.iter_mut().for_each(|w| *w /= largest);
        let fit = newton_shift(set, moving, reference, &weights, (shift[0], shift[1]), STEPS, &mut newton);
        if !sound(&fit) {
            return None;
        }
        shift = [fit.dx, fit.dy];
    }
    Some(shift)
}

/// For each ring the real factor that takes the reference to the moving picture, and the mean square of what is left.
fn ring_statistics(
    rings: &[usize],
    count: usize,
    moving: &[Complex32],
    reference: &[Complex32],
    trust: &[f32],
) -> (Vec<f64>, Vec<f64>) {
    let (mut cross, mut power, mut total) = (vec![0.0; count], vec![0.0; count], vec![0.0; count]);
    for (((ring, m), r), t) in rings.iter().zip(moving).zip(reference).zip(trust) {
        let t = f64::from(*t);
        cross[*ring] += t * f64::from(m.re * r.re + m.im * r.im);
        power[*ring] += t * f64::from(r.norm_sqr());
        total[*ring] += t;
    }
    let gain: Vec<f64> = cross.iter().zip(&power).map(|(c, p)| if *p > 0.0 { c / p } else { 0.0 }).collect();
    let mut noise = vec![0.0; count];
    for (((ring, m), r), t) in rings.iter().zip(moving).zip(reference).zip(trust) {
        noise[*ring] += f64::from(*t) * f64::from((m - r * gain[*ring] as f32).norm_sqr());
    }
    for (n, t) in noise.iter_mut().zip(&total) {
        *n = if *t > 0.0 { *n / t } else { 0.0 };
    }
    (gain, noise)
}

/// Moves a packed picture whose content is displaced by `shift` px back: `out = packed e^(2 pi i u.shift)`.
pub fn undo_shift(set: &BandSet, packed: &[Complex32], shift: [f64; 2], out: &mut Vec<Complex32>) {
    out.clear();
    out.extend(packed.iter().zip(set.frequencies()).map(|(value, (u, v))| {
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * (u * shift[0] + v * shift[1]));
        value * Complex32::new(cos as f32, sin as f32)
    }));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fft::Fft2;

    // A disc with stripes of another contrast in the other colour; the shift is put in by construction.
    #[test]
    fn stripes_of_another_colour_do_not_pull() {
        let size = 96;
        let draw = |dx: f64, dy: f64, stripes: f64| -> Vec<f32> {
            (0..size * size)
                .map(|i| {
                    let (x, y) = ((i % size) as f64 - 47.5 - dx, (i / size) as f64 - 47.5 - dy);
                    let disc = 1.0 / (1.0 + libm::exp((libm::hypot(x, y) - 28.0) / 1.2));
                    (disc * (1.0 + stripes * libm::sin(0.35 * y) + 0.05 * libm::sin(0.8 * x))) as f32
                })
                .collect()
        };
        let plan = Fft2::new(size, size);
        let set = BandSet::new(size, size, 0.02, 0.4);
        let packed = |data: &[f32]| {
            let mut spectrum = plan.spectrum();
            plan.forward(data, &mut spectrum, &mut plan.scratch());
            set.gather(&spectrum)
        };
        let green = packed(&draw(0.0, 0.0, 0.12));
        let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
        let off = |moving: &[Complex32]| {
            let [x, y] = unlike_shift(&set, moving, &green, 0.4, 12.0, undo).unwrap();
            libm::hypot(x - 1.3, y + 0.7)
        };
        // Fainter, faint, and dark where the other is bright: stripes that are odd about the middle look like a shift.
        for (stripes, limit) in [(0.09, 0.03), (0.03, 0.08), (-0.06, 0.15)] {
            let found = off(&packed(&draw(1.3, -0.7, stripes)));
            assert!(found < limit, "{stripes}: {found}");
        }
        // The frequencies that both show alike are moved back exactly.
        let mut back = Vec::new();
        undo_shift(&set, &packed(&draw(1.3, -0.7, 0.12)), [1.3, -0.7], &mut back);
        let off: f32 = back.iter().zip(&green).map(|(a, b)| (a - b).norm_sqr()).sum();
        assert!(off < 1e-5 * green.iter().map(|v| v.norm_sqr()).sum::<f32>(), "{off}");
    }
}
