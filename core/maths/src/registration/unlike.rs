//! The shift between two pictures of one scene in different light.
//!
//! Belts and spots differ from colour to colour, so every frequency and every place weighs as much as the colours agree
//! there. In rings of frequency the other colour `C` is `a G e^(-2 pi i u.s)` plus what is left, of mean square
//! `sigma^2`; `G` is the first colour, shaded otherwise by six factors that are found with the shift ([`Shaded`]), each
//! held to nought a little, since on what has no sharp edge shade and shift look the same. Divided by `sigma`,
//! what is left is as strong at every frequency but not at every place: a spot that is dark in one colour and bright in
//! the other leaves much, the limb little. Its local mean square `v(x)`, over some resolution elements, gives each place
//! the weight `1 / (v + v0)`, and the shift is the weighted least-squares step (Gauss and Newton) of the pictures so
//! whitened. `a` and `sigma` are those of the start; weights, shading and shift are set anew in turn.
//!
//! The start: the same rings without places, single coefficients far off the model counting less (Student's t, weights
//! after Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84, 881).
//! Sources: generalised least squares, Aitken 1935, Proc. R. Soc. Edinburgh 55, 42.

use super::shading::TERMS;
use super::{BandSet, NewtonScratch, Shaded, ShiftFit, newton_shift, whitening};
use crate::border::Border;
use crate::dot;
use crate::fft::{Complex32, Fft2, Fft2Scratch};
use crate::filters::box_mean;
use crate::fit::solve;

/// Rings of frequency, as wide each as a constant share of their frequency: the power falls steeply from low to high.
const RINGS: usize = 16;

/// Fewest coefficients of a ring, both of a pair counted, and how many of them the factor and the shift use up.
const FEWEST: f64 = 24.0;
const FITTED: f64 = 3.0;

/// Times that the weights of the start are set anew.
const REWEIGHTINGS: usize = 2;

/// Most Newton steps of the start.
const STEPS: usize = 30;

/// Most steps with places weighed, and the step in px that ends them.
const ROUNDS: (usize, f64) = (12, 2e-3);

/// How much shading is expected to differ between colours, as a share of the brightness at one radius from the middle, in
/// terms of the certainty told. Less than it does, since what rings, belts and spots have of another colour is shading to
/// the fit as well: this leaves it to discs that show it plainly (chosen on simulated clips; 0.05 moved ringed globes by
/// 0.01 px).
const SHADE: f64 = 0.01;

/// Unknowns of a step: the shift, the shading, and brightness as a whole, which the rings' factors take up anew.
const UNKNOWNS: usize = 2 + TERMS + 1;

/// Side of the square that, taken twice, gives the local mean square, in periods of the cut-off.
const SQUARE: f64 = 3.7;

/// `v0` as a share of `sum v^2 / sum v`: where next to nothing is left, it is by chance.
const FLOOR: f64 = 0.04;

/// A shift and how sure it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnlikeShift {
    /// Displacement (x, y) of the content, px.
    pub shift_px: [f64; 2],
    /// Inverse of the shift's covariance, px^-2: `[[xx, xy], [xy, yy]]`, had what is left no more in common with the
    /// shift than noise. Markings have: the squared error is about twice that.
    pub information: [[f64; 2]; 2],
}

/// Shift of a packed spectrum against a reference of the same bands; `None` where they do not match.
///
/// `plan` is the transform that the spectra come from; `cutoff` is the optical one in cycles per px; a shift of more
/// than `largest_px` is not believed; `undo(packed, shift, out)` moves a packed picture whose content is displaced by
/// `shift` px back: [`undo_shift`] does.
///
/// # Panics
/// Where the spectra or the plan are not of the set's size.
pub fn unlike_shift(
    plan: &Fft2,
    set: &BandSet,
    moving: &[Complex32],
    reference: &Shaded,
    cutoff: f64,
    largest_px: f64,
    mut undo: impl FnMut(&[Complex32], [f64; 2], &mut Vec<Complex32>),
) -> Option<UnlikeShift> {
    let rings = Rings::new(set)?;
    let start = start(set, &rings, moving, &reference.picture, largest_px, &mut undo)?;
    let mut back = Vec::new();
    undo(moving, start, &mut back);
    let (gain, noise) = rings.statistics(&back, &reference.picture, set.multiplicity());
    let Some(mut places) = Places::new(plan, set, cutoff, &rings, reference, &gain, &noise) else {
        // Nothing is left to weigh by: one picture is the other, moved.
        return Some(UnlikeShift { shift_px: start, information: [[0.0; 2]; 2] });
    };
    let mut shift = start;
    let (mut shade, mut shaded) = ([0.0; TERMS], reference.picture.clone());
    for _ in 0..ROUNDS.0 {
        let (step, information) = places.step(&rings, &back, &shaded, &shade)?;
        shift = [shift[0] + step[0], shift[1] + step[1]];
        if shift.iter().any(|s| s.is_nan()) || libm::hypot(shift[0], shift[1]) > largest_px {
            return None;
        }
        if libm::hypot(step[0], step[1]) < ROUNDS.1 {
            return Some(UnlikeShift { shift_px: shift, information });
        }
        shaded.copy_from_slice(&reference.picture);
        for ((share, step), term) in shade.iter_mut().zip(&step[2..]).zip(&reference.terms) {
            *share += step;
            shaded.iter_mut().zip(term).for_each(|(value, t)| *value += t * *share as f32);
        }
        undo(moving, shift, &mut back);
    }
    // Steps that do not end are no maximum: the start stands, of unknown certainty.
    Some(UnlikeShift { shift_px: start, information: [[0.0; 2]; 2] })
}

/// The ring of each packed frequency, and its place in the plane.
struct Rings {
    of: Vec<usize>,
    frequencies: Vec<(f64, f64)>,
}

impl Rings {
    /// `None` for an empty band.
    fn new(set: &BandSet) -> Option<Self> {
        let frequencies = set.frequencies();
        let radius = |(u, v): &(f64, f64)| libm::hypot(*u, *v);
        let inside = || frequencies.iter().zip(set.multiplicity()).filter(|(_, m)| **m > 0.0).map(|(f, _)| radius(f));
        let (low, high) = (inside().fold(f64::INFINITY, f64::min), inside().fold(0.0, f64::max));
        if high <= 0.0 {
            return None;
        }
        let turns = libm::log((high / low).max(1.0 + 1e-9));
        let ring =
            |f: &(f64, f64)| ((libm::log(radius(f).max(low) / low) / turns * RINGS as f64) as usize).min(RINGS - 1);
        // Rings of too few coefficients join the next: a factor fitted to them would leave nothing.
        let mut counts = [0.0; RINGS];
        for (f, times) in frequencies.iter().zip(set.multiplicity()) {
            counts[ring(f)] += f64::from(*times);
        }
        let (mut joined, mut next, mut held) = ([0; RINGS], 0, 0.0);
        for (i, count) in counts.iter().enumerate() {
            joined[i] = next;
            held += count;
            if held >= FEWEST {
                (next, held) = (next + 1, 0.0);
            }
        }
        if held > 0.0 && next > 0 {
            joined.iter_mut().for_each(|ring| *ring = (*ring).min(next - 1));
        }
        let of = frequencies.iter().map(|f| joined[ring(f)]).collect();
        Some(Self { of, frequencies })
    }

    /// For each ring the real factor that takes the reference to the moving picture, and the mean square of what is left.
    fn statistics(&self, moving: &[Complex32], reference: &[Complex32], trust: &[f32]) -> ([f64; RINGS], [f64; RINGS]) {
        let (mut cross, mut power, mut total) = ([0.0; RINGS], [0.0; RINGS], [0.0; RINGS]);
        for (((ring, m), r), t) in self.of.iter().zip(moving).zip(reference).zip(trust) {
            let t = f64::from(*t);
            cross[*ring] += t * f64::from(m.re * r.re + m.im * r.im);
            power[*ring] += t * f64::from(r.norm_sqr());
            total[*ring] += t;
        }
        let gain: [f64; RINGS] =
            std::array::from_fn(|i| if power[i] > 0.0 { (cross[i] / power[i]).max(0.0) } else { 0.0 });
        let mut noise = [0.0; RINGS];
        for (((ring, m), r), t) in self.of.iter().zip(moving).zip(reference).zip(trust) {
            noise[*ring] += f64::from(*t) * f64::from((m - r * gain[*ring] as f32).norm_sqr());
        }
        for (n, t) in noise.iter_mut().zip(&total) {
            *n = if *t > 0.0 { *n / (t - FITTED).max(1.0) } else { 0.0 };
        }
        (gain, noise)
    }
}

/// The shift by rings alone.
fn start(
    set: &BandSet,
    rings: &Rings,
    moving: &[Complex32],
    reference: &[Complex32],
    largest_px: f64,
    undo: &mut impl FnMut(&[Complex32], [f64; 2], &mut Vec<Complex32>),
) -> Option<[f64; 2]> {
    let mut newton = NewtonScratch::default();
    let weights = whitening(set, reference, 0.5);
    let first = newton_shift(set, moving, reference, &weights, (0.0, 0.0), STEPS, &mut newton);
    let sound = |fit: &ShiftFit| fit.correlation > 0.0 && libm::hypot(fit.dx, fit.dy) < largest_px;
    if !sound(&first) {
        return None;
    }
    let mut shift = [first.dx, first.dy];
    let mut trust = set.multiplicity().to_vec();
    let mut back = Vec::new();
    for _ in 0..REWEIGHTINGS {
        undo(moving, shift, &mut back);
        let (gain, noise) = rings.statistics(&back, reference, &trust);
        let mut weights = vec![0.0_f32; trust.len()];
        for (i, weight) in weights.iter_mut().enumerate() {
            let (ring, times) = (rings.of[i], set.multiplicity()[i]);
            if noise[ring] <= 0.0 || times == 0.0 {
                continue;
            }
            let off = f64::from((back[i] - reference[i] * gain[ring] as f32).norm_sqr()) / noise[ring];
            // Student's t with one degree of freedom for both parts of a coefficient.
            let doubt = 3.0 / (1.0 + 2.0 * off);
            trust[i] = times * doubt as f32;
            *weight = times * (doubt * gain[ring] / noise[ring]) as f32;
        }
        // Only ratios count; large numbers would leave the range of f32 in the sums.
        let largest = weights.iter().zip(reference).map(|(w, r)| w * r.norm_sqr()).fold(0.0_f32, f32::max);
        if largest.is_nan() || largest <= 0.0 || largest.is_infinite() {
            // Nothing is left to weigh by: one picture is the other, moved.
            return largest.eq(&0.0).then_some(shift);
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

/// The steps with places weighed: the whitening, what each unknown changes, and buffers.
struct Places<'a> {
    plan: &'a Fft2,
    set: &'a BandSet,
    radius_px: usize,
    /// Coefficients of the band over all.
    share: f64,
    /// Of each ring, the factor that whitens, and the same times what takes the reference to the moving picture.
    whiten: [(f32, f32); RINGS],
    packed: Vec<Complex32>,
    spectrum: Vec<Complex32>,
    scratch: Fft2Scratch,
    left: Vec<f32>,
    slopes: [Vec<f32>; UNKNOWNS],
    scatter: Vec<f32>,
    square: Vec<f32>,
}

impl<'a> Places<'a> {
    /// `None` where nothing is left of the moving picture but the reference.
    fn new(
        plan: &'a Fft2,
        set: &'a BandSet,
        cutoff: f64,
        rings: &Rings,
        reference: &Shaded,
        gain: &[f64; RINGS],
        noise: &[f64; RINGS],
    ) -> Option<Self> {
        let room = || vec![0.0; plan.width() * plan.height()];
        // A square beyond a quarter of the picture tells no place from another.
        let largest = (plan.width().min(plan.height()) / 8) as f64;
        let radius_px = (0.5 * SQUARE / cutoff.max(1e-3)).clamp(1.0, largest.max(1.0)) as usize;
        let whole = (plan.width() * plan.height()) as f64;
        let share = set.multiplicity().iter().map(|m| f64::from(*m)).sum::<f64>() / whole;
        // So that what is left has about unit variance in the picture.
        let unit = libm::sqrt(whole / share.max(1e-9));
        // A ring that is matched to the last digit would outweigh all others without end.
        let least = 1e-6 * noise.iter().copied().fold(0.0, f64::max);
        if least <= 0.0 {
            return None;
        }
        let whiten = std::array::from_fn(|i| {
            let m = unit / libm::sqrt(noise[i].max(least));
            (m as f32, (m * gain[i]) as f32)
        });
        let (packed, spectrum, scratch) = (Vec::with_capacity(set.packed_len()), plan.spectrum(), plan.scratch());
        let (left, scatter, square) = (room(), room(), room());
        let slopes = std::array::from_fn(|_| room());
        let mut places =
            Self { plan, set, radius_px, share, whiten, packed, spectrum, scratch, left, slopes, scatter, square };
        for unknown in 0..UNKNOWNS {
            let mut out = std::mem::take(&mut places.slopes[unknown]);
            let green = &reference.picture;
            match unknown {
                // The change of a e^(-2 pi i u.s) G with each part of s.
                0 | 1 => places.draw(rings, &mut out, |i, (_, ma)| {
                    let (u, v) = rings.frequencies[i];
                    let turn = std::f64::consts::TAU * if unknown == 0 { u } else { v };
                    Complex32::new(green[i].im, -green[i].re) * (turn as f32 * ma)
                }),
                _ => {
                    let term = reference.terms.get(unknown - 2).unwrap_or(green);
                    places.draw(rings, &mut out, |i, (_, ma)| term[i] * ma);
                }
            }
            places.slopes[unknown] = out;
        }
        Some(places)
    }

    /// The picture whose packed spectrum is `value(place, whitening)`.
    fn draw(&mut self, rings: &Rings, out: &mut [f32], value: impl Fn(usize, (f32, f32)) -> Complex32) {
        self.packed.clear();
        self.packed.extend(rings.of.iter().enumerate().map(|(i, ring)| value(i, self.whiten[*ring])));
        self.set.scatter_into(&self.packed, &mut self.spectrum);
        self.plan.inverse(&mut self.spectrum, out, &mut self.scratch);
    }

    /// The step from where `back` lies, and from the shading so far, to where they match, and the shift's certainty.
    #[allow(clippy::needless_range_loop, reason = "indices mirror the formulas")]
    fn step(
        &mut self,
        rings: &Rings,
        back: &[Complex32],
        shaded: &[Complex32],
        shade: &[f64; TERMS],
    ) -> Option<([f64; UNKNOWNS], [[f64; 2]; 2])> {
        let (width, height) = (self.plan.width(), self.plan.height());
        let mut left = std::mem::take(&mut self.left);
        self.draw(rings, &mut left, |i, (m, ma)| back[i] * m - shaded[i] * ma);
        self.left = left;
        for (square, left) in self.square.iter_mut().zip(&self.left) {
            *square = left * left;
        }
        let mut rows = Vec::new();
        box_mean(&self.square, width, height, self.radius_px, Border::Nearest, &mut self.scatter, &mut rows);
        box_mean(&self.scatter, width, height, self.radius_px, Border::Nearest, &mut self.square, &mut rows);
        let (first, second) = self.square.iter().fold((0.0, 0.0), |(first, second), v| {
            let v = f64::from(*v);
            (first + v, second + v * v)
        });
        if !(first > 0.0 && second.is_finite()) {
            return None;
        }
        let floor = FLOOR * second / first;
        // Samples of a picture of few frequencies do not err each for itself.
        self.square.iter_mut().for_each(|v| *v = (self.share / (f64::from(*v) + floor)) as f32);
        let (mut matrix, mut right) = ([[0.0; UNKNOWNS]; UNKNOWNS], [0.0; UNKNOWNS]);
        for i in 0..UNKNOWNS {
            for ((weighed, weight), slope) in self.scatter.iter_mut().zip(&self.square).zip(&self.slopes[i]) {
                *weighed = weight * slope;
            }
            right[i] = dot(&self.scatter, &self.left);
            for k in i..UNKNOWNS {
                matrix[i][k] = dot(&self.scatter, &self.slopes[k]);
                matrix[k][i] = matrix[i][k];
            }
        }
        for (term, so_far) in shade.iter().enumerate() {
            matrix[2 + term][2 + term] += 1.0 / (SHADE * SHADE);
            right[2 + term] -= so_far / (SHADE * SHADE);
        }
        let step = solve(&matrix, &right)?;
        let unit = |k: usize| std::array::from_fn(|i| if i == k { 1.0 } else { 0.0 });
        let (x, y) = (solve(&matrix, &unit(0))?, solve(&matrix, &unit(1))?);
        let determinant = x[0] * y[1] - x[1] * y[0];
        let information = [[y[1], -x[1]], [-y[0], x[0]]].map(|row| row.map(|value| value / determinant));
        Some((step, information))
    }
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
mod tests;
