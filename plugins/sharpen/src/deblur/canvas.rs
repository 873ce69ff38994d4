//! A picture inside a larger field, in the frequency domain.

use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, frequency, good_size};
use stillair_maths::rings::Rings;

/// A window of `width` x `height` px in a field with margins, so that light that a filter
/// moves over an edge does not come back at the other.
#[derive(Debug, Clone)]
pub struct Canvas {
    /// Columns of the window.
    pub width: usize,
    /// Rows of the window.
    pub height: usize,
    /// The field's transforms.
    pub plan: Fft2,
    /// Rings of the field's spectrum.
    pub rings: Rings,
}

impl Canvas {
    /// A window with at least `margin` px of field on the right and below (the field is
    /// periodic, so this lies between opposite edges).
    pub fn new(width: usize, height: usize, margin: usize) -> Self {
        let (w, h) = (good_size(width + margin), good_size(height + margin));
        Self { width, height, plan: Fft2::new(w, h), rings: Rings::new(w, h) }
    }

    /// Transforms a window less `sky`. Over its outermost pixels the window turns into its own
    /// smoothed edge, and the margins run smoothly from each edge to the opposite one: neither a
    /// bright edge nor the noise is a step in the periodic field.
    pub fn forward(&self, window: &[f32], sky: f32, scratch: &mut Fft2Scratch) -> Vec<Complex32> {
        let (w, h) = (self.plan.width(), self.plan.height());
        let mut field = vec![0.0; w * h];
        for (row, from) in field.chunks_exact_mut(w).zip(window.chunks_exact(self.width)) {
            for (v, f) in row.iter_mut().zip(from) {
                *v = f - sky;
            }
        }
        let depth = SEAM_PX.min(self.width / 4).min(self.height / 4).max(1);
        let ramp = ease(depth);
        let at = |x: usize, y: usize| y * w + x;
        join(&mut field, self.width, w, self.height, &ramp, |line, k| at(k, line));
        join(&mut field, self.height, h, w, &ramp, at);
        let mut spectrum = self.plan.spectrum();
        self.plan.forward(&field, &mut spectrum, scratch);
        spectrum
    }

    /// Transforms back and cuts the window out, `sky` added. The spectrum is spent.
    pub fn inverse(&self, spectrum: &mut [Complex32], sky: f32, out: &mut [f32], scratch: &mut Fft2Scratch) {
        let mut field = vec![0.0; self.plan.width() * self.plan.height()];
        self.plan.inverse(spectrum, &mut field, scratch);
        for (row, to) in field.chunks_exact(self.plan.width()).zip(out.chunks_exact_mut(self.width)) {
            for (v, f) in to.iter_mut().zip(row) {
                *v = f + sky;
            }
        }
    }

    /// Frequencies `(fx, fy)` of every coefficient in order, cycles per px.
    pub fn frequencies(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let (w, h, half) = (self.plan.width(), self.plan.height(), self.plan.half_width());
        (0..h).flat_map(move |ky| (0..half).map(move |kx| (frequency(kx, w), frequency(ky, h))))
    }
}

/// Pixels over which a window's edge turns into its smoothed self.
const SEAM_PX: usize = 6;

/// Joins both ends of `lines` lines of `filled` samples (of `length`) through the samples behind;
/// `at(line, k)` gives the place of sample k.
fn join(
    field: &mut [f32],
    filled: usize,
    length: usize,
    lines: usize,
    ramp: &[f32],
    at: impl Fn(usize, usize) -> usize,
) {
    let depth = ramp.len();
    let mean = |field: &[f32], line: usize, from: usize| {
        (from..from + depth).map(|k| field[at(line, k)]).sum::<f32>() / depth as f32
    };
    let raw: Vec<[f32; 2]> = (0..lines).map(|line| [mean(field, line, 0), mean(field, line, filled - depth)]).collect();
    let rise = ease(length - filled);
    for line in 0..lines {
        let span = &raw[line.saturating_sub(4)..(line + 5).min(lines)];
        let [first, last] = [0, 1].map(|side| span.iter().map(|e| e[side]).sum::<f32>() / span.len() as f32);
        for (k, r) in ramp.iter().enumerate() {
            let (near, far) = (at(line, k), at(line, filled - 1 - k));
            field[near] = first + r * (field[near] - first);
            field[far] = last + r * (field[far] - last);
        }
        for (k, r) in rise.iter().enumerate() {
            field[at(line, filled + k)] = last + r * (first - last);
        }
    }
}

/// A half cosine from 0 to 1 over `n` steps, ends left out.
fn ease(n: usize) -> Vec<f32> {
    let step = std::f64::consts::PI / (n + 1) as f64;
    (1..=n).map(|i| (0.5 - 0.5 * libm::cos(step * i as f64)) as f32).collect()
}
