//! The arithmetic of a round of registration: a frame's packed coefficients against the running reference, and the
//! sums that become the next reference.

use stillair_maths::LANES;
use stillair_maths::fft::{Complex32, Fft2};
use stillair_maths::registration::{BandSet, NewtonScratch, newton_shift, whitening};

const TURN: f64 = 2.0 * std::f64::consts::PI;

/// Most Newton steps of a frame in a round.
const STEPS: usize = 8;

/// Share of the frames' scatter that weighs against the reference's power.
const SCATTER_SHARE: f32 = 0.5;

/// Rings over which the scatter is averaged.
const RINGS: usize = 16;

/// One row of a packed band.
#[derive(Debug, Clone, Copy)]
struct Run {
    offset: usize,
    len: usize,
    kx: usize,
    ky: isize,
}

/// A band of frequencies with what is needed to shift and to unpack it.
#[derive(Debug, Clone)]
pub struct Band {
    /// The band.
    pub set: BandSet,
    runs: Vec<Run>,
    columns: usize,
}

/// Buffers of one thread.
#[derive(Debug, Default)]
pub struct RoundScratch {
    newton: NewtonScratch,
    cos: Vec<f32>,
    sin: Vec<f32>,
}

impl Band {
    /// The band from `low` to `high` cycles per px for a transform's size.
    pub fn new(plan: &Fft2, low: f64, high: f64) -> Self {
        let set = BandSet::new(plan.width(), plan.height(), low, high);
        let mut runs: Vec<Run> = Vec::new();
        let mut open = false;
        for (i, ((u, v), times)) in set.frequencies().into_iter().zip(set.multiplicity()).enumerate() {
            let whole = |f: f64, n: usize| libm::round(f * n as f64) as isize;
            let (kx, ky) = (whole(u, plan.width()) as usize, whole(v, plan.height()));
            match runs.last_mut() {
                _ if *times == 0.0 => open = false,
                Some(run) if open && run.ky == ky => run.len += 1,
                _ => {
                    runs.push(Run { offset: i, len: 1, kx, ky });
                    open = true;
                }
            }
        }
        let columns = runs.iter().map(|r| r.kx + r.len).max().unwrap_or(0);
        Self { set, runs, columns }
    }

    /// Moves a picture whose content is displaced by `shift` back: `out = packed e^(2 pi i u.shift)`.
    pub fn undo_shift(
        &self,
        packed: &[Complex32],
        shift: [f64; 2],
        out: &mut Vec<Complex32>,
        scratch: &mut RoundScratch,
    ) {
        out.clear();
        out.resize(packed.len(), Complex32::default());
        scratch.columns(shift[0] / self.set.width() as f64, self.columns);
        for run in &self.runs {
            let (sin, cos) = libm::sincos(TURN * run.ky as f64 * shift[1] / self.set.height() as f64);
            let columns = run.kx..run.kx + run.len;
            let place = run.offset..run.offset + run.len;
            turn(
                &packed[place.clone()],
                (cos as f32, sin as f32),
                (&scratch.cos[columns.clone()], &scratch.sin[columns]),
                &mut out[place],
            );
        }
    }

    /// Puts packed coefficients into a half spectrum, zero elsewhere.
    pub fn unpack(&self, packed: &[Complex32], spectrum: &mut [Complex32]) {
        spectrum.fill(Complex32::default());
        let half = self.set.width() / 2 + 1;
        for run in &self.runs {
            let row = run.ky.rem_euclid(self.set.height() as isize) as usize;
            let at = row * half + run.kx;
            spectrum[at..at + run.len].copy_from_slice(&packed[run.offset..run.offset + run.len]);
        }
    }
}

impl RoundScratch {
    /// `cos` and `sin` of `2 pi k turns` for k = 0, 1, ...
    fn columns(&mut self, turns: f64, count: usize) {
        self.cos.clear();
        self.sin.clear();
        let (sin1, cos1) = libm::sincos(TURN * turns);
        let (mut cos, mut sin) = (1.0, 0.0);
        for _ in 0..count {
            self.cos.push(cos as f32);
            self.sin.push(sin as f32);
            (cos, sin) = (cos * cos1 - sin * sin1, cos * sin1 + sin * cos1);
        }
    }
}

fn turn(from: &[Complex32], row: (f32, f32), columns: (&[f32], &[f32]), out: &mut [Complex32]) {
    for (((f, c), s), o) in from.iter().zip(columns.0).zip(columns.1).zip(out) {
        let (re, im) = (row.0 * c - row.1 * s, row.0 * s + row.1 * c);
        *o = Complex32::new(f.re * re - f.im * im, f.re * im + f.im * re);
    }
}

/// Moves the content of a whole half spectrum back by `shift`, in place.
pub fn undo_shift_whole(plan: &Fft2, spectrum: &mut [Complex32], shift: [f64; 2], scratch: &mut RoundScratch) {
    let (half, height) = (plan.half_width(), plan.height());
    scratch.columns(shift[0] / plan.width() as f64, half);
    for (ky, row) in spectrum.chunks_exact_mut(half).enumerate() {
        let v = stillair_maths::fft::frequency(ky, height);
        let (sin, cos) = libm::sincos(TURN * v * shift[1]);
        let (cos, sin) = (cos as f32, sin as f32);
        for ((f, c), s) in row.iter_mut().zip(&scratch.cos).zip(&scratch.sin) {
            let (re, im) = (cos * c - sin * s, cos * s + sin * c);
            *f = Complex32::new(f.re * re - f.im * im, f.re * im + f.im * re);
        }
    }
}

/// The running reference of a round.
#[derive(Debug, Clone)]
pub struct Reference {
    packed: Vec<Complex32>,
    weights: Vec<f32>,
    /// `sum W |R|^2`.
    power: f64,
    /// Weighted mean flux of the frames in it, NaN if unknown.
    flux: f64,
}

/// What a round finds of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Found {
    /// Displacement of the content against the reference, px.
    pub displacement: [f64; 2],
    /// Projection onto the reference, 1 for a frame as sharp as it.
    pub quality: f64,
    /// Correlation, -1 to 1.
    pub correlation: f64,
    /// Whether the solution was refused and the start kept.
    pub wild: bool,
}

impl Reference {
    /// From packed coefficients, with the whitening exponent. Where the scatter of single frames about the reference is
    /// known ([`Sum::scatter`]), weights fall as `|R|^2 / (|R|^2 + scatter / 2)`: what noise drowns counts less. The
    /// half was the best compromise between bright and faint simulated clips.
    pub fn new(band: &Band, packed: Vec<Complex32>, scatter: Option<&[f32]>, exponent: f64, flux: f64) -> Self {
        let mut weights = whitening(&band.set, &packed, exponent);
        for ((weight, r), noise) in weights.iter_mut().zip(&packed).zip(scatter.unwrap_or_default()) {
            let power = r.norm_sqr();
            if power > 0.0 {
                *weight *= power / (power + SCATTER_SHARE * noise.max(0.0));
            }
        }
        let power = projection(&packed, &packed, &weights);
        Self { packed, weights, power, flux }
    }

    /// Registers a frame from `start`; a solution further than `limit_px` from `anchor` is refused and `anchor` kept.
    /// `phased` gets the frame moved back.
    #[allow(clippy::too_many_arguments)]
    pub fn register(
        &self,
        band: &Band,
        frame: &[Complex32],
        start: [f64; 2],
        anchor: [f64; 2],
        limit_px: f64,
        flux: f64,
        phased: &mut Vec<Complex32>,
        scratch: &mut RoundScratch,
    ) -> Found {
        let begin = (start[0], start[1]);
        let fit = newton_shift(&band.set, frame, &self.packed, &self.weights, begin, STEPS, &mut scratch.newton);
        let far = libm::hypot(fit.dx - anchor[0], fit.dy - anchor[1]);
        let wild = far.is_nan() || far > limit_px || fit.correlation.is_nan() || fit.correlation <= 0.0;
        let displacement = if wild { anchor } else { [fit.dx, fit.dy] };
        band.undo_shift(frame, displacement, phased, scratch);
        let ratio = self.flux / flux;
        let ratio = if ratio.is_finite() && ratio > 0.0 { ratio } else { 1.0 };
        let quality =
            if self.power > 0.0 { ratio * projection(phased, &self.packed, &self.weights) / self.power } else { 0.0 };
        Found { displacement, quality, correlation: fit.correlation, wild }
    }
}

/// `Re sum W a conj(b)` in fixed lanes.
fn projection(a: &[Complex32], b: &[Complex32], weights: &[f32]) -> f64 {
    let mut total = 0.0;
    for ((a, b), w) in a.chunks(64 * LANES).zip(b.chunks(64 * LANES)).zip(weights.chunks(64 * LANES)) {
        let mut lanes = [0.0_f32; LANES];
        for ((a, b), w) in a.chunks(LANES).zip(b.chunks(LANES)).zip(w.chunks(LANES)) {
            for (((lane, a), b), w) in lanes.iter_mut().zip(a).zip(b).zip(w) {
                *lane += w * (a.re * b.re + a.im * b.im);
            }
        }
        total += lanes.iter().map(|v| f64::from(*v)).sum::<f64>();
    }
    total
}

/// Weighted sum of coefficients in f64.
#[derive(Debug, Clone, Default)]
pub struct Sum {
    values: Vec<[f64; 2]>,
    /// Weighted sum of squared moduli, where asked for.
    squares: Vec<f64>,
    /// Sum of weights.
    pub weight: f64,
}

impl Sum {
    /// Adds one frame's coefficients.
    pub fn add(&mut self, coefficients: &[Complex32], weight: f64) {
        if self.values.is_empty() {
            self.values.resize(coefficients.len(), [0.0; 2]);
        }
        self.weight += weight;
        for (sum, c) in self.values.iter_mut().zip(coefficients) {
            sum[0] += weight * f64::from(c.re);
            sum[1] += weight * f64::from(c.im);
        }
    }

    /// The weighted mean; nothing without weight.
    pub fn mean(&self) -> Vec<Complex32> {
        let norm = if self.weight > 0.0 { 1.0 / self.weight } else { 0.0 };
        self.values.iter().map(|v| Complex32::new((v[0] * norm) as f32, (v[1] * norm) as f32)).collect()
    }

    /// Adds one frame's coefficients and their squared moduli.
    pub fn add_with_squares(&mut self, coefficients: &[Complex32], weight: f64) {
        self.add(coefficients, weight);
        self.squares.resize(coefficients.len(), 0.0);
        for (sum, c) in self.squares.iter_mut().zip(coefficients) {
            *sum += weight * f64::from(c.norm_sqr());
        }
    }

    /// Mean square distance of single frames from the mean, averaged over rings of frequency; `None` where squares
    /// were not summed.
    pub fn scatter(&self, band: &Band) -> Option<Vec<f32>> {
        if self.squares.len() != self.values.len() || self.weight <= 0.0 {
            return None;
        }
        let radius: Vec<f64> = band.set.frequencies().iter().map(|(u, v)| libm::hypot(*u, *v)).collect();
        let high = radius.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
        let ring = |i: usize| ((radius[i] / high * RINGS as f64) as usize).min(RINGS - 1);
        let mut sums = [[0.0; 2]; RINGS];
        for (i, ((value, square), times)) in
            self.values.iter().zip(&self.squares).zip(band.set.multiplicity()).enumerate()
        {
            let (re, im) = (value[0] / self.weight, value[1] / self.weight);
            sums[ring(i)][0] += f64::from(*times) * (square / self.weight - re * re - im * im);
            sums[ring(i)][1] += f64::from(*times);
        }
        let mean = |i: usize| {
            let [sum, count] = sums[ring(i)];
            if count > 0.0 { (sum / count) as f32 } else { 0.0 }
        };
        Some((0..radius.len()).map(mean).collect())
    }

    /// Whether anything was added.
    pub fn is_empty(&self) -> bool {
        self.weight <= 0.0
    }
}
