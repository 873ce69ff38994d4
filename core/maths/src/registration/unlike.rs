//! The shift between two pictures of one scene in different light.
//!
//! Belts and spots differ from colour to colour, so every frequency and every place weighs as much as the colours agree
//! there. In rings of frequency the other colour `C` is `a G e^(-2 pi i u.s)` plus what is left, of mean square
//! `sigma^2`. Divided by `sigma`, what is left is as strong at every frequency but not at every place: a spot that is
//! dark in one colour and bright in the other leaves much, the limb little. Its local mean square `v(x)`, over some
//! resolution elements, gives each place the weight `1 / (v + v0)`, and the shift is the weighted least-squares step
//! (Gauss and Newton) of the pictures so whitened. Factors, scatter, weights and shift are set anew in turn.
//!
//! The start: the same rings without places, single coefficients far off the model counting less (Student's t, weights
//! after Lange, Little & Taylor 1989, J. Am. Stat. Assoc. 84, 881).
//! Sources: generalised least squares, Aitken 1935, Proc. R. Soc. Edinburgh 55, 42.

use super::{BandSet, NewtonScratch, ShiftFit, newton_shift, whitening};
use crate::border::Border;
use crate::fft::{Complex32, Fft2};
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
const ROUNDS: (usize, f64) = (8, 2e-3);

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

/// Shift of a packed spectrum against a packed reference of the same bands; `None` where they do not match.
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
    reference: &[Complex32],
    cutoff: f64,
    largest_px: f64,
    mut undo: impl FnMut(&[Complex32], [f64; 2], &mut Vec<Complex32>),
) -> Option<UnlikeShift> {
    let rings = Rings::new(set)?;
    let start = start(set, &rings, moving, reference, largest_px, &mut undo)?;
    let mut places = Places::new(plan, set, cutoff);
    let (mut shift, mut back) = (start, Vec::new());
    for _ in 0..ROUNDS.0 {
        undo(moving, shift, &mut back);
        let (gain, noise) = rings.statistics(&back, reference, set.multiplicity());
        let (step, information) = places.step(&rings, &back, reference, &gain, &noise)?;
        shift = [shift[0] + step[0], shift[1] + step[1]];
        if shift.iter().any(|s| s.is_nan()) || libm::hypot(shift[0], shift[1]) > largest_px {
            return None;
        }
        if libm::hypot(step[0], step[1]) < ROUNDS.1 {
            return Some(UnlikeShift { shift_px: shift, information });
        }
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

/// Buffers of the steps with places weighed.
struct Places<'a> {
    plan: &'a Fft2,
    set: &'a BandSet,
    radius_px: usize,
    packed: Vec<Complex32>,
    spectrum: Vec<Complex32>,
    left: Vec<f32>,
    slopes: [Vec<f32>; 2],
    scatter: Vec<f32>,
    square: Vec<f32>,
}

impl<'a> Places<'a> {
    fn new(plan: &'a Fft2, set: &'a BandSet, cutoff: f64) -> Self {
        let room = || vec![0.0; plan.width() * plan.height()];
        // A square beyond a quarter of the picture tells no place from another.
        let largest = (plan.width().min(plan.height()) / 8) as f64;
        let radius_px = (0.5 * SQUARE / cutoff.max(1e-3)).clamp(1.0, largest.max(1.0)) as usize;
        let slopes = [room(), room()];
        let (packed, spectrum) = (Vec::with_capacity(set.packed_len()), plan.spectrum());
        Self { plan, set, radius_px, packed, spectrum, left: room(), slopes, scatter: room(), square: room() }
    }

    /// The step from where `back` lies to where it matches, and its certainty.
    fn step(
        &mut self,
        rings: &Rings,
        back: &[Complex32],
        reference: &[Complex32],
        gain: &[f64; RINGS],
        noise: &[f64; RINGS],
    ) -> Option<([f64; 2], [[f64; 2]; 2])> {
        let (width, height) = (self.plan.width(), self.plan.height());
        let whole = (width * height) as f64;
        let share = self.set.multiplicity().iter().map(|m| f64::from(*m)).sum::<f64>() / whole;
        // So that what is left has about unit variance in the picture.
        let unit = libm::sqrt(whole / share.max(1e-9));
        // A ring that is matched to the last digit would outweigh all others without end.
        let least = 1e-6 * noise.iter().copied().fold(0.0, f64::max);
        if least <= 0.0 {
            return Some(([0.0; 2], [[0.0; 2]; 2]));
        }
        let whiten: [f64; RINGS] = std::array::from_fn(|i| unit / libm::sqrt(noise[i].max(least)));
        let mut scratch = self.plan.scratch();
        let [across, down] = &mut self.slopes;
        for (which, out) in [&mut self.left, across, down].into_iter().enumerate() {
            self.packed.clear();
            let coefficients = back.iter().zip(reference).zip(&rings.of).zip(&rings.frequencies);
            self.packed.extend(coefficients.map(|(((b, r), ring), (u, v))| {
                let (m, a) = (whiten[*ring], gain[*ring]);
                // The change of a e^(-2 pi i u.s) G with each part of s.
                let slope = |f: f64| Complex32::new(r.im, -r.re) * (std::f64::consts::TAU * f * m * a) as f32;
                match which {
                    0 => (b - r * a as f32) * m as f32,
                    1 => slope(*u),
                    _ => slope(*v),
                }
            }));
            self.set.scatter_into(&self.packed, &mut self.spectrum);
            self.plan.inverse(&mut self.spectrum, out, &mut scratch);
        }
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
        let (mut matrix, mut right) = ([[0.0; 2]; 2], [0.0; 2]);
        let slopes = self.slopes[0].iter().zip(&self.slopes[1]);
        for ((left, (x, y)), v) in self.left.iter().zip(slopes).zip(&self.square) {
            let (left, x, y) = (f64::from(*left), f64::from(*x), f64::from(*y));
            let weight = 1.0 / (f64::from(*v) + floor);
            matrix[0][0] += weight * x * x;
            matrix[0][1] += weight * x * y;
            matrix[1][1] += weight * y * y;
            right[0] += weight * x * left;
            right[1] += weight * y * left;
        }
        matrix[1][0] = matrix[0][1];
        let step = solve(&matrix, &right)?;
        // Samples of a picture of few frequencies do not err each for itself.
        Some((step, matrix.map(|row| row.map(|value| value * share))))
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
mod tests {
    use super::*;

    fn packed(plan: &Fft2, set: &BandSet, data: &[f32]) -> Vec<Complex32> {
        let mut spectrum = plan.spectrum();
        plan.forward(data, &mut spectrum, &mut plan.scratch());
        set.gather(&spectrum)
    }

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
        let packed = |data: &[f32]| packed(&plan, &set, data);
        let green = packed(&draw(0.0, 0.0, 0.12));
        let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
        let off = |moving: &[Complex32]| {
            let [x, y] = unlike_shift(&plan, &set, moving, &green, 0.4, 12.0, undo).unwrap().shift_px;
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

    /// A pseudo-random deviate of unit variance: the sum of twelve uniform numbers less six.
    fn deviates(mut state: u64) -> impl FnMut() -> f64 {
        move || {
            let mut uniform = || {
                state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                (state >> 11) as f64 / (1_u64 << 53) as f64
            };
            (0..12).map(|_| uniform()).sum::<f64>() - 6.0
        }
    }

    // A spot beside the middle, dark in one colour and bright in the other, has slopes that look like a shift; the blur
    // and the noise leave no fine detail to tell.
    #[test]
    fn a_spot_that_is_dark_in_one_colour_pulls_less_with_places_weighed() {
        let size = 128;
        let mut deviate = deviates(7);
        let mut draw = |dx: f64, dy: f64, spot: f64| -> Vec<f32> {
            (0..size * size)
                .map(|i| {
                    let (x, y) = ((i % size) as f64 - 63.5 - dx, (i / size) as f64 - 63.5 - dy);
                    let disc = 1.0 / (1.0 + libm::exp((libm::hypot(x, y) - 40.0) / 2.5));
                    let near = libm::exp(-((x - 18.0) * (x - 18.0) + (y - 9.0) * (y - 9.0)) / 60.0);
                    (disc * (1.0 + spot * near + 0.1 * libm::sin(0.35 * y)) + 0.02 * deviate()) as f32
                })
                .collect()
        };
        let plan = Fft2::new(size, size);
        let set = BandSet::new(size, size, 0.02, 0.4);
        let packed = |data: &[f32]| packed(&plan, &set, data);
        let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
        let rings = Rings::new(&set).unwrap();
        let off = |[x, y]: [f64; 2]| (x - 0.8) * (x - 0.8) + (y + 0.5) * (y + 0.5);
        let (mut by_rings, mut by_places) = (0.0, 0.0);
        for _ in 0..20 {
            let (green, red) = (packed(&draw(0.0, 0.0, -0.25)), packed(&draw(0.8, -0.5, 0.2)));
            by_rings += off(start(&set, &rings, &red, &green, 12.0, &mut { undo }).unwrap());
            by_places += off(unlike_shift(&plan, &set, &red, &green, 0.4, 12.0, undo).unwrap().shift_px);
        }
        let (by_rings, by_places) = (libm::sqrt(by_rings / 20.0), libm::sqrt(by_places / 20.0));
        assert!(by_places < 0.6 * by_rings, "{by_places} px, by rings alone {by_rings} px");
    }

    // White noise of known strength on one of the two: the certainty told is that of the shifts found (Kay 1993,
    // Fundamentals of Statistical Signal Processing, chapter 3: the bound is reached at high signal to noise).
    #[test]
    fn the_certainty_told_is_that_of_the_shifts_found() {
        let size = 96;
        let plan = Fft2::new(size, size);
        let set = BandSet::new(size, size, 0.02, 0.4);
        let mut deviate = deviates(12345);
        let mut draw = |dx: f64, noise: f64| -> Vec<f32> {
            (0..size * size)
                .map(|i| {
                    let (x, y) = ((i % size) as f64 - 47.5 - dx, (i / size) as f64 - 47.5);
                    let disc = 1.0 / (1.0 + libm::exp((libm::hypot(x, y) - 28.0) / 1.2));
                    (disc + noise * deviate()) as f32
                })
                .collect()
        };
        let packed = |data: &[f32]| packed(&plan, &set, data);
        let clean = packed(&draw(0.0, 0.0));
        let undo = |p: &[Complex32], s: [f64; 2], out: &mut Vec<Complex32>| undo_shift(&set, p, s, out);
        let (mut squares, rounds) = (0.0, 60);
        for _ in 0..rounds {
            let found = unlike_shift(&plan, &set, &packed(&draw(0.4, 0.15)), &clean, 0.4, 12.0, undo).unwrap();
            let off = [found.shift_px[0] - 0.4, found.shift_px[1]];
            let [[xx, xy], [_, yy]] = found.information;
            squares += (xx * off[0] * off[0] + 2.0 * xy * off[0] * off[1] + yy * off[1] * off[1]) / 2.0;
        }
        // Twice 60 squares of unit deviates: their mean is 1, give or take 0.13.
        let mean = squares / rounds as f64;
        assert!((0.6..1.5).contains(&mean), "{mean}");
    }
}
