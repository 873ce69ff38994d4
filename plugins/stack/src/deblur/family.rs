//! The blur of single frames against a reference: one linear operator, and what of its answers is more than noise.
//!
//! Of a frame `F` and the reference `R` (transforms), both divided by the ring mean of `|R|`, the correlation is windowed
//! to a few px about its middle and divided by the windowed correlation of `R` with itself: a kernel `g` that carries `R` into
//! `F`. Over all frames the kernels scatter about a mean that follows the frame's grade; what is more than noise in that
//! scatter spans few dimensions (principal components in units of the noise, kept above the edge that noise alone would
//! reach, `(1 + sqrt(p / n))^2`: Marchenko & Pastur 1967). Every kernel is drawn to that family by the factor
//! `(e - 1) / e` in each of its directions, `e` its variance over the noise's (linear minimum mean square error).

use nalgebra::{DMatrix, SymmetricEigen};
use stillair_maths::fft::{Complex32, Fft2, Fft2Scratch, frequency};
use stillair_maths::fit;
use stillair_maths::rings::Rings;

/// Radius of a kernel, px per px of lambda/D.
const RADIUS_PER_SAMPLING: f64 = 2.2;
/// Least and largest radius, px.
const RADIUS: (f64, f64) = (3.0, 7.0);
/// Most pixels of a kernel: those within 7 px of its middle.
pub const LARGEST: usize = 149;
/// Share of the cut-off up to which kernels are sought.
const REACH: f64 = 0.9;
/// Steps after which an eigenproblem counts as one without a solution; some two for each value are usual.
const STEPS: usize = 10_000;
/// Frames of pure noise that tell the operator's own scatter.
const NOISE_FRAMES: usize = 200;

/// The operator from a frame's spectrum to its kernel.
#[derive(Debug)]
pub struct Operator {
    plan: Fft2,
    /// `W conj(R W)` of every coefficient, the band and the taper in it.
    forward: Vec<Complex32>,
    /// One over the windowed self-correlation's transform, times the taper.
    inverse: Vec<f32>,
    /// Window of the correlation, for every pixel of the grid.
    window: Vec<f32>,
    /// Places of the kernel's pixels on the grid.
    places: Vec<usize>,
    /// Taper of every coefficient.
    taper: Vec<f32>,
}

/// Buffers of one caller.
#[derive(Debug, Default)]
pub struct OperatorScratch {
    spectrum: Vec<Complex32>,
    field: Vec<f32>,
    fft: Fft2Scratch,
}

impl Operator {
    /// For a reference's spectrum; `cutoff` in cycles per px, `sampling` in px per lambda/D, `noise` the power that noise
    /// adds to each coefficient of the reference.
    pub fn new(plan: &Fft2, reference: &[Complex32], cutoff: f64, sampling: f64, noise: f64) -> Self {
        let (w, h, half) = (plan.width(), plan.height(), plan.half_width());
        let rings = Rings::new(w, h);
        let power = rings.power(reference);
        let size = w.min(h) as f64;
        let nu = |i: usize| libm::hypot(frequency(i % half, w), frequency(i / half, h)) / cutoff;
        let taper: Vec<f32> = (0..plan.spectrum_len())
            .map(|i| if nu(i) < REACH { libm::cos(0.5 * std::f64::consts::PI * nu(i)) as f32 } else { 0.0 })
            .collect();
        let whitening = |i: usize| {
            let ring = libm::round(nu(i) * cutoff * size) as usize;
            let p = power.get(ring).copied().unwrap_or(0.0) + noise;
            if p > 0.0 && nu(i) < REACH && i > 0 { 1.0 / p.sqrt() } else { 0.0 }
        };
        let white: Vec<f32> = (0..plan.spectrum_len()).map(|i| whitening(i) as f32).collect();
        let forward: Vec<Complex32> = reference.iter().zip(&white).map(|(r, w)| r.conj() * (w * w)).collect();
        let radius = (RADIUS_PER_SAMPLING * sampling).clamp(RADIUS.0, RADIUS.1);
        let mut window = vec![0.0; w * h];
        let mut places = Vec::new();
        let reach = radius as isize + 2;
        for y in -reach..=reach {
            for x in -reach..=reach {
                let r = libm::hypot(x as f64, y as f64);
                let at = y.rem_euclid(h as isize) as usize * w + x.rem_euclid(w as isize) as usize;
                if r <= radius + 1.0 {
                    window[at] = (1.15 - r / (radius + 1.0)).clamp(0.0, 1.0).sqrt() as f32;
                }
                if r <= radius {
                    places.push(at);
                }
            }
        }
        let mut spectrum: Vec<Complex32> =
            reference.iter().zip(&white).map(|(r, w)| Complex32::new(r.norm_sqr() * w * w, 0.0)).collect();
        let mut scratch = plan.scratch();
        let mut field = vec![0.0; w * h];
        plan.inverse(&mut spectrum, &mut field, &mut scratch);
        field.iter_mut().zip(&window).for_each(|(f, w)| *f *= w);
        plan.forward(&field, &mut spectrum, &mut scratch);
        let most = spectrum.iter().map(|v| v.re).fold(0.0, f32::max).max(f32::MIN_POSITIVE);
        let inverse = spectrum.iter().zip(&taper).map(|(v, t)| t / v.re.max(0.02 * most)).collect();
        Self { plan: plan.clone(), forward, inverse, window, places, taper }
    }

    /// Pixels of a kernel.
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// The kernel of a frame's spectrum.
    pub fn kernel(&self, spectrum: &[Complex32], scratch: &mut OperatorScratch) -> Vec<f64> {
        let OperatorScratch { spectrum: buffer, field, fft } = scratch;
        field.resize(self.window.len(), 0.0);
        buffer.clear();
        buffer.extend(spectrum.iter().zip(&self.forward).map(|(f, r)| f * r));
        self.plan.inverse(buffer, field, fft);
        field.iter_mut().zip(&self.window).for_each(|(f, w)| *f *= w);
        self.plan.forward(field, buffer, fft);
        buffer.iter_mut().zip(&self.inverse).for_each(|(v, i)| *v *= *i);
        self.plan.inverse(buffer, field, fft);
        self.places.iter().map(|at| f64::from(field[*at])).collect()
    }

    /// The transfer of a kernel for every coefficient; `beyond` where kernels are not sought.
    pub fn transfer(&self, kernel: &[f64], beyond: f32, out: &mut Vec<Complex32>, scratch: &mut OperatorScratch) {
        let OperatorScratch { field, fft, .. } = scratch;
        field.resize(self.window.len(), 0.0);
        field.fill(0.0);
        for (at, value) in self.places.iter().zip(kernel) {
            field[*at] = *value as f32;
        }
        out.resize(self.forward.len(), Complex32::default());
        self.plan.forward(field, out, fft);
        for (value, taper) in out.iter_mut().zip(&self.taper) {
            *value = if *taper > 0.0 { *value / *taper } else { Complex32::new(beyond, 0.0) };
        }
    }

    /// Mean of the products of kernels of white noise of the power `noise` per coefficient, shaped by `shape` (amplitude of
    /// every coefficient) and seen through `window`, of a mean square of 1.
    pub fn scatter_of_noise(&self, noise: f64, shape: &[f32], window: &[f32]) -> Vec<f64> {
        let n = self.len();
        let pixels = self.window.len();
        let sigma = (noise / pixels as f64).sqrt() as f32;
        let mut scatter = vec![0.0; n * n];
        let mut scratch = OperatorScratch::default();
        let (mut field, mut spectrum) = (vec![0.0; pixels], self.plan.spectrum());
        for frame in 0..NOISE_FRAMES {
            for (pixel, value) in field.iter_mut().enumerate() {
                *value = sigma * normal((frame * pixels + pixel) as u64);
            }
            self.plan.forward(&field, &mut spectrum, &mut scratch.fft);
            spectrum.iter_mut().zip(shape).for_each(|(v, s)| *v *= *s);
            self.plan.inverse(&mut spectrum, &mut field, &mut scratch.fft);
            field.iter_mut().zip(window).for_each(|(v, w)| *v *= *w);
            self.plan.forward(&field, &mut spectrum, &mut scratch.fft);
            add_products(&mut scatter, &self.kernel(&spectrum, &mut scratch));
        }
        scatter.iter_mut().for_each(|v| *v /= NOISE_FRAMES as f64);
        scatter
    }
}

/// A standard normal number for a counter: twelve uniform ones of 16 bits from SplitMix64 (Steele, Lea & Flood 2014).
fn normal(counter: u64) -> f32 {
    let mut sum = -6.0_f32;
    for word in 0..3_u64 {
        let mut z = (3 * counter + word + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        for part in 0..4 {
            sum += ((z >> (16 * part)) & 0xFFFF) as f32 / 65_536.0;
        }
    }
    sum
}

fn add_products(sums: &mut [f64], values: &[f64]) {
    let n = values.len();
    for (row, a) in sums.chunks_exact_mut(n.max(1)).zip(values) {
        row.iter_mut().zip(values).for_each(|(s, b)| *s += a * b);
    }
}

/// Sums over kernels, from which a family follows.
#[derive(Debug)]
pub struct Kernels {
    count: usize,
    /// Sums of products of 1, grade, grade^2.
    grades: [f64; 9],
    /// Sums of those times the kernel.
    means: [Vec<f64>; 3],
    /// Sums of products of kernels.
    products: Vec<f64>,
}

/// What frames' kernels have in common.
#[derive(Debug)]
pub struct Family {
    /// Mean kernel, and its change with grade and grade^2.
    mean: [Vec<f64>; 3],
    /// Matrix that draws a deviation to the family.
    drawing: Vec<f64>,
    /// Directions kept.
    pub kept: usize,
    /// Variance over noise of the kept directions, less 1, summed and divided by the pixels of a kernel.
    pub told: f64,
}

impl Kernels {
    /// No kernels yet, of `n` pixels.
    pub fn new(n: usize) -> Self {
        Self {
            count: 0,
            grades: [0.0; 9],
            means: [vec![0.0; n], vec![0.0; n], vec![0.0; n]],
            products: vec![0.0; n * n],
        }
    }

    /// Adds a frame's kernel; `grade` over the mean grade.
    pub fn add(&mut self, kernel: &[f64], grade: f64) {
        let powers = [1.0, grade, grade * grade];
        self.count += 1;
        for (i, p) in powers.into_iter().enumerate() {
            powers.into_iter().enumerate().for_each(|(j, q)| self.grades[3 * i + j] += p * q);
            self.means[i].iter_mut().zip(kernel).for_each(|(s, k)| *s += p * k);
        }
        add_products(&mut self.products, kernel);
    }

    /// The family; `noise` is the operator's scatter of noise alone. `None` where frames are too few or alike.
    pub fn family(&self, noise: &[f64]) -> Option<Family> {
        let n = self.means[0].len();
        if self.count < 20 || n == 0 {
            return None;
        }
        let count = self.count as f64;
        // Mean by least squares on grade and its square, or the plain mean where grades do not differ.
        let ease = |i: usize, j: usize| if i == j { 1e-9 * count } else { 0.0 };
        let normal: [[f64; 3]; 3] =
            std::array::from_fn(|i| std::array::from_fn(|j| self.grades[3 * i + j] + ease(i, j)));
        let mut mean: [Vec<f64>; 3] = Default::default();
        for p in 0..n {
            let solved = fit::solve(&normal, &std::array::from_fn(|j| self.means[j][p]))?;
            mean.iter_mut().zip(solved).for_each(|(m, s)| m.push(s));
        }
        let mut scatter = self.products.clone();
        for (p, row) in scatter.chunks_exact_mut(n).enumerate() {
            for (q, value) in row.iter_mut().enumerate() {
                let told: f64 = (0..3).map(|i| mean[i][p] * self.means[i][q]).sum();
                *value = (*value - told) / count;
            }
        }
        let trace: f64 = (0..n).map(|i| noise[i * n + i]).sum();
        let steady: Vec<f64> = noise
            .iter()
            .enumerate()
            .map(|(i, v)| v + if i / n == i % n { 1e-6 * trace / n as f64 } else { 0.0 })
            .collect();
        let l = DMatrix::from_row_slice(n, n, &steady).cholesky()?.unpack();
        let whitening = l.solve_lower_triangular(&DMatrix::identity(n, n))?;
        let white = &whitening * DMatrix::from_row_slice(n, n, &scatter) * whitening.transpose();
        let SymmetricEigen { eigenvalues: values, eigenvectors: vectors } =
            SymmetricEigen::try_new(white, f64::EPSILON, STEPS)?;
        let edge = (1.0 + (n as f64 / count).sqrt()).powi(2);
        let factor = values.map(|e| if e > edge { (e - 1.0) / e } else { 0.0 });
        let inner = &vectors * DMatrix::from_diagonal(&factor) * vectors.transpose();
        // By columns of the transpose: by rows.
        let drawing = (l * inner * whitening).transpose().as_slice().to_vec();
        let told = values.iter().filter(|e| **e > edge).map(|e| e - 1.0).sum::<f64>() / n as f64;
        Some(Family { mean, drawing, kept: factor.iter().filter(|f| **f > 0.0).count(), told })
    }
}

impl Family {
    /// A frame's kernel drawn to the family.
    pub fn drawn(&self, kernel: &[f64], grade: f64) -> Vec<f64> {
        let n = kernel.len();
        let mean: Vec<f64> =
            (0..n).map(|p| self.mean[0][p] + grade * self.mean[1][p] + grade * grade * self.mean[2][p]).collect();
        let off: Vec<f64> = kernel.iter().zip(&mean).map(|(k, m)| k - m).collect();
        (0..n)
            .map(|p| mean[p] + self.drawing[p * n..(p + 1) * n].iter().zip(&off).map(|(d, o)| d * o).sum::<f64>())
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Sums of twelve uniform numbers less 6 have mean 0 and variance 1.
    #[test]
    fn counters_give_normal_numbers() {
        let n = 20_000;
        let (sum, squares) = (0..n).map(normal).fold((0.0, 0.0), |(s, q), v| (s + f64::from(v), q + f64::from(v * v)));
        assert!((sum / n as f64).abs() < 0.03 && (squares / n as f64 - 1.0).abs() < 0.04);
    }

    // A frame that is the reference moved by one px has a kernel whose middle lies one px off: its transfer has the
    // phase 2 pi f of a shift (shift theorem).
    #[test]
    fn the_kernel_of_a_shifted_frame_is_a_shift() {
        let (w, h) = (64, 48);
        let plan = Fft2::new(w, h);
        let picture: Vec<f32> = (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as f64 - 30.0, (i / w) as f64 - 25.0);
                (libm::exp(-(x * x + y * y) / 60.0) * (1.0 + 0.5 * libm::sin(0.9 * x) * libm::cos(0.7 * y))) as f32
            })
            .collect();
        let mut reference = plan.spectrum();
        let mut scratch = plan.scratch();
        plan.forward(&picture, &mut reference, &mut scratch);
        let operator = Operator::new(&plan, &reference, 0.4, 2.5, 1e-6);
        let shifted: Vec<Complex32> = reference
            .iter()
            .enumerate()
            .map(|(i, v)| {
                let phase = -std::f64::consts::TAU * frequency(i % plan.half_width(), w);
                v * Complex32::new(libm::cos(phase) as f32, libm::sin(phase) as f32)
            })
            .collect();
        let mut buffers = OperatorScratch::default();
        let kernel = operator.kernel(&shifted, &mut buffers);
        let mut transfer = Vec::new();
        operator.transfer(&kernel, 0.0, &mut transfer, &mut buffers);
        // 0.08 cycles/px along x.
        let got = transfer[5];
        let phase = -std::f64::consts::TAU * 5.0 / 64.0;
        assert!((f64::from(got.re) - libm::cos(phase)).abs() < 0.06, "{got}");
        assert!((f64::from(got.im) - libm::sin(phase)).abs() < 0.06, "{got}");
    }

    // Deviations along one direction in white noise of variance 1 per pixel: the family is that direction, and a
    // deviation of variance 25 is kept to 25 / 26 of it (linear minimum mean square error, textbook).
    #[test]
    fn one_direction_is_found_in_the_noise() {
        let n = 12;
        let mut kernels = Kernels::new(n);
        for frame in 0..400_u64 {
            let amplitude = 5.0 * f64::from(normal(1_000_000 + frame));
            let kernel: Vec<f64> = (0..n)
                .map(|p| 3.0 + amplitude * f64::from(u8::from(p == 4)) + f64::from(normal(frame * 12 + p as u64)))
                .collect();
            kernels.add(&kernel, 1.0 + 0.1 * (frame % 7) as f64);
        }
        let noise: Vec<f64> = (0..n * n).map(|i| f64::from(u8::from(i / n == i % n))).collect();
        let family = kernels.family(&noise).unwrap();
        assert_eq!(family.kept, 1);
        assert!((family.told * n as f64 / 25.0 - 1.0).abs() < 0.25, "{}", family.told);
        let mut kernel = vec![3.0; n];
        kernel[4] += 10.0;
        kernel[7] += 10.0;
        let drawn = family.drawn(&kernel, 1.0);
        assert!((drawn[4] - 3.0 - 10.0 * 25.0 / 26.0).abs() < 0.5, "{drawn:?}");
        assert!((drawn[7] - 3.0).abs() < 1.2, "{drawn:?}");
    }
}
