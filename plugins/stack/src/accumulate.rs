//! Weighted sums of frames on the canvas, in two halves, and the picture that comes of them.
//!
//! The used frames alternate between the halves, so that each half is a stack of its own with independent noise.
//! Sums run in the order of the frames, element by element, whatever the number of threads.

use std::sync::Mutex;

use stillair_api::{Context, Image};
use stillair_maths::bspline::bspline_prefilter;

use crate::resample::{Canvas, Cover, Resampled};

/// Below this share of the full weight a pixel counts as not covered.
const COVERED_SHARE: f64 = 1e-4;

/// From this number of additions on, bands of the picture are added in parallel.
const PARALLEL_FROM: usize = 1 << 19;

/// Bands for parallel adding.
const BANDS: usize = 16;

/// A frame on the canvas and its weight, on its way to the sums.
#[derive(Debug, Default)]
pub struct Contribution {
    /// The resampled frame.
    pub resampled: Resampled,
    /// Its weight.
    pub weight: f32,
    /// Exposure in s, NaN if unknown.
    pub exposure_s: f64,
    /// Time from the first frame in s, NaN if unknown.
    pub time_s: f64,
    /// Whether its parts were shifted each on its own.
    pub in_parts: bool,
}

#[derive(Debug)]
struct Half {
    /// Sum of weight times sample.
    sum: Vec<f32>,
    /// Sum of weight times squared sample, if wanted.
    squares: Vec<f32>,
    /// Sum of the weights of frames that cover rectangles, by plane and by parity of row and column.
    total: [[f64; 4]; 3],
    /// What to take off the total where a rectangle leaves pixels out.
    missing: Vec<f32>,
    /// What to add where frames have a factor for every pixel; empty before the first of them.
    extra: Vec<f32>,
}

impl Half {
    fn new(samples: usize, squares: bool) -> Self {
        Self {
            sum: vec![0.0; samples],
            squares: if squares { vec![0.0; samples] } else { Vec::new() },
            total: [[0.0; 4]; 3],
            missing: vec![0.0; samples],
            extra: Vec::new(),
        }
    }

    fn weight(&self, canvas: &Canvas, at: usize) -> f64 {
        let (plane, within) = (at / canvas.area(), at % canvas.area());
        let parity = 2 * (within / canvas.width % 2) + within % canvas.width % 2;
        self.total[plane.min(2)][parity] - f64::from(self.missing[at])
            + self.extra.get(at).map_or(0.0, |e| f64::from(*e))
    }
}

/// Sums over frames.
#[derive(Debug)]
pub struct Accumulator {
    canvas: Canvas,
    halves: [Half; 2],
    frames: usize,
    placeless: usize,
    sum_weight: f64,
    sum_weight_squared: f64,
    exposure_s: f64,
    weighted_time_s: f64,
    begin_s: f64,
    end_s: f64,
    in_parts: bool,
}

/// What the sums amount to.
#[derive(Debug)]
pub struct Sums {
    /// Picture with halves and weight; of its description only the frame numbers are set.
    pub image: Image,
    /// Sum of exposures in s, NaN if any was unknown.
    pub exposure_s: f64,
    /// Weighted mean time from the first frame in s, NaN if any was unknown.
    pub mean_time_s: f64,
    /// Begin of the earliest frame and the last frame's time plus its exposure where that is known, s from the first
    /// frame; unknown times are left out.
    pub span_s: [f64; 2],
    /// Whether parts of frames were shifted each on its own.
    pub in_parts: bool,
    /// Weighted variance of each sample about its mean, if squares were summed; else empty.
    pub variance: Vec<f32>,
}

impl Accumulator {
    /// Empty sums; `squares` also sums squares.
    pub fn new(canvas: Canvas, squares: bool) -> Self {
        let samples = canvas.planes * canvas.area();
        Self {
            canvas,
            halves: [Half::new(samples, squares), Half::new(samples, squares)],
            frames: 0,
            placeless: 0,
            sum_weight: 0.0,
            sum_weight_squared: 0.0,
            exposure_s: 0.0,
            weighted_time_s: 0.0,
            begin_s: f64::NAN,
            end_s: f64::NAN,
            in_parts: false,
        }
    }

    /// Bytes of the sums for a canvas of so many samples, the finished picture included.
    pub fn bytes(samples: usize, squares: bool) -> u64 {
        // Two halves of sum, missing, extra (and squares); picture, its two halves and its weight.
        (samples * 4) as u64 * (2 * (3 + u64::from(squares)) + 4 + u64::from(squares))
    }

    /// Frames added.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// Frames that came without a place.
    pub fn placeless(&self) -> usize {
        self.placeless
    }

    /// Adds frames in their order; those of weight 0 are left out.
    pub fn add(&mut self, context: &dyn Context, items: &[Contribution]) {
        let all = items.len();
        let items: Vec<&Contribution> = items.iter().filter(|item| item.weight > 0.0).collect();
        self.placeless += all - items.len();
        let samples = self.canvas.planes * self.canvas.area();
        let first = self.frames;
        for (i, item) in items.iter().enumerate() {
            let weight = f64::from(item.weight);
            self.sum_weight += weight;
            self.sum_weight_squared += weight * weight;
            self.exposure_s += item.exposure_s;
            self.weighted_time_s += weight * item.time_s;
            self.begin_s = self.begin_s.min(item.time_s);
            let exposure = if item.exposure_s.is_finite() { item.exposure_s } else { 0.0 };
            self.end_s = self.end_s.max(item.time_s + exposure);
            self.in_parts |= item.in_parts;
            self.frames += 1;
            let half = &mut self.halves[(first + i) % 2];
            match &item.resampled.cover {
                Cover::Rectangles(rectangles) => {
                    let shares = &item.resampled.shares;
                    for (total, share) in half.total.iter_mut().flatten().zip(shares.iter().flatten()) {
                        *total += f64::from(item.weight * share);
                    }
                    leave_out(&mut half.missing, &self.canvas, rectangles, item.weight, shares);
                }
                Cover::Factors => half.extra.resize(samples, 0.0),
            }
        }
        let bands = if samples * items.len() >= PARALLEL_FROM { BANDS } else { 1 };
        let band = samples.div_ceil(bands).max(1);
        let [even, odd] = &mut self.halves;
        let mut slices = Vec::with_capacity(bands);
        for half in [even, odd] {
            let mut squares = half.squares.chunks_mut(band);
            let mut extra = half.extra.chunks_mut(band);
            for (i, sum) in half.sum.chunks_mut(band).enumerate() {
                let part = Part { sum, squares: squares.next(), extra: extra.next(), from: i * band };
                slices.push(Mutex::new(part));
            }
        }
        let per_half = slices.len() / 2;
        let task = |index: usize| {
            let Ok(mut part) = slices[index].lock() else { return };
            for (i, item) in items.iter().enumerate() {
                if (first + i) % 2 == index / per_half.max(1) {
                    part.add(item);
                }
            }
        };
        if bands == 1 {
            (0..slices.len()).for_each(task);
        } else {
            context.parallel(slices.len(), &task);
        }
    }

    /// The picture: the weighted mean, B-spline samples given their inverse filter where it was `deferred`.
    pub fn finish(&self, deferred: bool) -> Sums {
        let canvas = &self.canvas;
        let samples = canvas.planes * canvas.area();
        let [even, odd] = &self.halves;
        let mut image = Image::new(canvas.width, canvas.height, canvas.planes);
        let mut halves = [vec![f32::NAN; samples], vec![f32::NAN; samples]];
        let mut weight = vec![0.0_f32; samples];
        let mut variance = if even.squares.is_empty() { Vec::new() } else { vec![0.0; samples] };
        let floor = COVERED_SHARE * self.sum_weight;
        for at in 0..samples {
            let (we, wo) = (even.weight(canvas, at), odd.weight(canvas, at));
            let whole = we + wo;
            if whole > floor {
                let mean = (f64::from(even.sum[at]) + f64::from(odd.sum[at])) / whole;
                image.data[at] = mean as f32;
                weight[at] = whole as f32;
                if !variance.is_empty() {
                    let square = (f64::from(even.squares[at]) + f64::from(odd.squares[at])) / whole;
                    variance[at] = (square - mean * mean).max(0.0) as f32;
                }
            } else {
                image.data[at] = f32::NAN;
            }
            for ((half, own), w) in halves.iter_mut().zip([even, odd]).zip([we, wo]) {
                if w > floor {
                    half[at] = (f64::from(own.sum[at]) / w) as f32;
                }
            }
        }
        let mut scratch = Vec::new();
        let area = canvas.area().max(1);
        for plane in image.data.chunks_exact_mut(area) {
            fill_uncovered(plane, canvas.width);
        }
        for half in &mut halves {
            for (value, whole) in half.iter_mut().zip(&image.data) {
                if value.is_nan() {
                    *value = *whole;
                }
            }
        }
        if deferred {
            let [a, b] = &mut halves;
            for picture in [&mut image.data, a, b] {
                for plane in picture.chunks_exact_mut(area) {
                    bspline_prefilter(plane, canvas.width, canvas.height, &mut scratch);
                }
            }
        }
        if weight.iter().any(|w| *w != weight[0]) {
            image.weight = Some(weight);
        }
        if self.frames > 1 {
            image.halves = Some(halves);
        }
        image.info.frames_used = self.frames;
        image.info.frames_effective = self.sum_weight * self.sum_weight / self.sum_weight_squared;
        image.info.reference_px = canvas.centre;
        Sums {
            image,
            exposure_s: self.exposure_s,
            mean_time_s: self.weighted_time_s / self.sum_weight,
            span_s: [self.begin_s, self.end_s],
            in_parts: self.in_parts,
            variance,
        }
    }
}

struct Part<'a> {
    sum: &'a mut [f32],
    squares: Option<&'a mut [f32]>,
    extra: Option<&'a mut [f32]>,
    from: usize,
}

impl Part<'_> {
    fn add(&mut self, item: &Contribution) {
        let range = self.from..self.from + self.sum.len();
        let data = &item.resampled.data[range.clone()];
        let weight = item.weight;
        match &item.resampled.cover {
            Cover::Rectangles(_) => {
                for (sum, value) in self.sum.iter_mut().zip(data) {
                    *sum += weight * value;
                }
                if let Some(squares) = &mut self.squares {
                    for (sum, value) in squares.iter_mut().zip(data) {
                        *sum += weight * value * value;
                    }
                }
            }
            Cover::Factors => {
                let factors = &item.resampled.factors[range];
                for ((sum, value), factor) in self.sum.iter_mut().zip(data).zip(factors) {
                    *sum += weight * factor * value;
                }
                if let Some(squares) = &mut self.squares {
                    for ((sum, value), factor) in squares.iter_mut().zip(data).zip(factors) {
                        *sum += weight * factor * value * value;
                    }
                }
                if let Some(extra) = &mut self.extra {
                    for (sum, factor) in extra.iter_mut().zip(factors) {
                        *sum += weight * factor;
                    }
                }
            }
        }
    }
}

/// Sets samples outside the rectangles to zero, so that sums leave them out.
pub fn blank_outside(data: &mut [f32], canvas: &Canvas, rectangles: &[[usize; 4]; 3]) {
    outside(canvas, rectangles, |range| data[range].fill(0.0));
}

fn leave_out(missing: &mut [f32], canvas: &Canvas, rectangles: &[[usize; 4]; 3], weight: f32, shares: &[[f32; 4]; 3]) {
    outside(canvas, rectangles, |range| {
        for at in range {
            let (plane, within) = (at / canvas.area(), at % canvas.area());
            let parity = 2 * (within / canvas.width % 2) + within % canvas.width % 2;
            missing[at] += weight * shares[plane.min(2)][parity];
        }
    });
}

/// Visits the runs of samples outside each plane's rectangle.
fn outside(canvas: &Canvas, rectangles: &[[usize; 4]; 3], mut visit: impl FnMut(std::ops::Range<usize>)) {
    for (plane, &[xa, xb, ya, yb]) in rectangles.iter().take(canvas.planes).enumerate() {
        let base = plane * canvas.area();
        if xa >= xb || ya >= yb {
            visit(base..base + canvas.area());
            continue;
        }
        visit(base..base + ya * canvas.width);
        if xa > 0 || xb < canvas.width {
            for y in ya..yb {
                let row = base + y * canvas.width;
                visit(row..row + xa);
                visit(row + xb..row + canvas.width);
            }
        }
        visit(base + yb * canvas.width..base + canvas.area());
    }
}

/// Gives NaN samples the value of the nearest covered one of their row, then of their column; zero where all are NaN.
fn fill_uncovered(plane: &mut [f32], width: usize) {
    if !plane.iter().any(|v| v.is_nan()) {
        return;
    }
    let height = plane.len() / width;
    let fill = |plane: &mut [f32], start: usize, step: usize, count: usize| {
        let at = |i: usize| start + i * step;
        let Some(first) = (0..count).find(|&i| !plane[at(i)].is_nan()) else { return };
        let mut last = plane[at(first)];
        for i in 0..count {
            if plane[at(i)].is_nan() {
                plane[at(i)] = last;
            } else {
                last = plane[at(i)];
            }
        }
    };
    for y in 0..height {
        fill(plane, y * width, 1, width);
    }
    for x in 0..width {
        fill(plane, x, width, height);
    }
    for value in plane {
        if value.is_nan() {
            *value = 0.0;
        }
    }
}
