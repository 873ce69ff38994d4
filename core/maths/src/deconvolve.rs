//! Undoing a blur: Richardson-Lucy and Wiener filters on Fourier transforms.

use crate::fft::{Complex32, Fft2, Fft2Scratch, frequency};

/// Convolution of pictures of one size with one blur, and its transpose.
#[derive(Clone, Debug)]
pub struct Blur {
    plan: Fft2,
    width: usize,
    height: usize,
    transfer: Vec<Complex32>,
}

/// Buffers of one caller.
#[derive(Clone, Debug, Default)]
pub struct BlurScratch {
    padded: Vec<f32>,
    spectrum: Vec<Complex32>,
    transform: Fft2Scratch,
}

/// Half spectrum of a point-spread function of odd sides centred on the origin of a plan's
/// picture.
///
/// # Panics
/// Where the function's length is not `psf_width * psf_height` or it does not fit the plan.
pub fn transfer_of(plan: &Fft2, psf: &[f32], psf_width: usize, psf_height: usize) -> Vec<Complex32> {
    let (w, h) = (plan.width(), plan.height());
    assert!(psf.len() == psf_width * psf_height && psf_width <= w && psf_height <= h);
    let mut field = vec![0.0; w * h];
    for y in 0..psf_height {
        for x in 0..psf_width {
            let tx = (x + w - psf_width / 2) % w;
            let ty = (y + h - psf_height / 2) % h;
            field[ty * w + tx] = psf[y * psf_width + x];
        }
    }
    let mut transfer = plan.spectrum();
    plan.forward(&field, &mut transfer, &mut plan.scratch());
    transfer
}

impl Blur {
    /// A blur by a point-spread function of odd sides (centre in the middle); the picture of
    /// `width` x `height` pixels counts as surrounded by zeros.
    ///
    /// # Panics
    /// Where the function's length is not `psf_width * psf_height`, or a side is 0.
    pub fn from_psf(psf: &[f32], psf_width: usize, psf_height: usize, width: usize, height: usize) -> Self {
        let plan =
            Fft2::new(crate::fft::good_size(width + psf_width - 1), crate::fft::good_size(height + psf_height - 1));
        let transfer = transfer_of(&plan, psf, psf_width, psf_height);
        Self { plan, width, height, transfer }
    }

    /// A blur by an isotropic transfer function of the frequency in cycles per pixel; the
    /// picture counts as periodic, so its caller pads it.
    ///
    /// # Panics
    /// Where a side is 0.
    pub fn from_transfer(width: usize, height: usize, transfer: impl Fn(f64) -> f64) -> Self {
        let plan = Fft2::new(width, height);
        let half = plan.half_width();
        let mut values = plan.spectrum();
        for ky in 0..height {
            for kx in 0..half {
                let r = libm::hypot(frequency(kx, width), frequency(ky, height));
                values[ky * half + kx] = Complex32::new(transfer(r) as f32, 0.0);
            }
        }
        Self { plan, width, height, transfer: values }
    }

    /// A blur by a real transfer function given for every coefficient of the plan's half spectrum; the picture counts
    /// as periodic.
    ///
    /// # Panics
    /// Where the function does not fit the plan.
    pub fn from_values(plan: &Fft2, transfer: &[f32]) -> Self {
        assert_eq!(transfer.len(), plan.spectrum_len());
        Self {
            plan: plan.clone(),
            width: plan.width(),
            height: plan.height(),
            transfer: transfer.iter().map(|t| Complex32::new(*t, 0.0)).collect(),
        }
    }

    /// The transfer function on the plan's half spectrum.
    pub fn transfer(&self) -> &[Complex32] {
        &self.transfer
    }

    /// Blurs `source` into `out`.
    ///
    /// # Panics
    /// Where a slice's length is not `width * height`.
    pub fn apply(&self, source: &[f32], out: &mut [f32], scratch: &mut BlurScratch) {
        self.run(source, out, false, scratch);
    }

    /// Applies the transpose: the blur by the mirrored function.
    ///
    /// # Panics
    /// Where a slice's length is not `width * height`.
    pub fn apply_transposed(&self, source: &[f32], out: &mut [f32], scratch: &mut BlurScratch) {
        self.run(source, out, true, scratch);
    }

    fn run(&self, source: &[f32], out: &mut [f32], transposed: bool, scratch: &mut BlurScratch) {
        assert!(source.len() == self.width * self.height && out.len() == source.len());
        let (w, h) = (self.plan.width(), self.plan.height());
        scratch.padded.resize(w * h, 0.0);
        scratch.spectrum.resize(self.plan.spectrum_len(), Complex32::default());
        scratch.padded.fill(0.0);
        for (row, from) in scratch.padded.chunks_exact_mut(w).zip(source.chunks_exact(self.width)) {
            row[..self.width].copy_from_slice(from);
        }
        self.plan.forward(&scratch.padded, &mut scratch.spectrum, &mut scratch.transform);
        for (value, t) in scratch.spectrum.iter_mut().zip(&self.transfer) {
            *value *= if transposed { t.conj() } else { *t };
        }
        self.plan.inverse(&mut scratch.spectrum, &mut scratch.padded, &mut scratch.transform);
        for (row, to) in scratch.padded.chunks_exact(w).zip(out.chunks_exact_mut(self.width)) {
            to.copy_from_slice(&row[..self.width]);
        }
    }
}

/// Buffers of a Richardson-Lucy deconvolution.
#[derive(Clone, Debug, Default)]
pub struct LucyScratch {
    /// The blurred estimate that led to the last step's result.
    pub model: Vec<f32>,
    ratio: Vec<f32>,
    factor: Vec<f32>,
    blur: BlurScratch,
}

/// What was seen of a field.
#[derive(Clone, Copy, Debug)]
pub struct Seen<'a> {
    /// 1 where the field was seen, 0 where it was not.
    pub mask: &'a [f32],
    /// `K^T mask`.
    pub sensitivity: &'a [f32],
}

/// Sensitivity below which a pixel outside what was seen is left as it is.
const UNSEEN: f32 = 0.02;

/// One step of Richardson-Lucy deconvolution, `x <- x K^T(y / K x)` (Richardson 1972, J. Opt. Soc. Am. 62, 55; Lucy 1974,
/// Astron. J. 79, 745), for values that are not negative. Where only a part of the field was `seen`, the step is
/// `x <- x K^T(m y / K x) / K^T m` with the mask `m` (Bertero & Boccacci 2005, A&A 437, 369): light from beyond the seen
/// edge is estimated with the rest and does not ring. Leaves `K x` (of the `x` that came in) in the scratch.
///
/// # Panics
/// Where a slice's length is not that of the blur's picture.
pub fn lucy_step(
    picture: &[f32],
    seen: Option<Seen<'_>>,
    blur: &Blur,
    estimate: &mut [f32],
    scratch: &mut LucyScratch,
) {
    let n = picture.len();
    assert!(n == blur.width * blur.height && estimate.len() == n);
    let LucyScratch { model, ratio, factor, blur: buffers } = scratch;
    [&mut *model, &mut *ratio, &mut *factor].into_iter().for_each(|v| v.resize(n, 0.0));
    blur.apply(estimate, model, buffers);
    for ((r, y), m) in ratio.iter_mut().zip(picture).zip(&*model) {
        // Rounding in the transform may leave a dark model slightly negative.
        *r = y / (m.max(0.0) + 1e-12);
    }
    if let Some(seen) = seen {
        for (r, m) in ratio.iter_mut().zip(seen.mask) {
            *r = if *m > 0.0 { *r * m } else { 0.0 };
        }
    }
    blur.apply_transposed(ratio, factor, buffers);
    match seen {
        None => estimate.iter_mut().zip(&*factor).for_each(|(x, f)| *x *= f),
        Some(seen) => {
            for ((x, f), s) in estimate.iter_mut().zip(&*factor).zip(seen.sensitivity) {
                if *s > UNSEEN {
                    *x *= (f / s).max(0.0);
                }
            }
        }
    }
}

/// Richardson-Lucy deconvolution by [`lucy_step`] of a picture seen whole. Starts from what `estimate` holds (a
/// constant, or the picture itself) and leaves the result there. `after(iteration, estimate, model)` sees each
/// iteration's result with the blurred estimate that led to it, and ends the work by returning `false`.
///
/// # Panics
/// Where a slice's length is not that of the blur's picture.
pub fn richardson_lucy(
    picture: &[f32],
    blur: &Blur,
    iterations: usize,
    estimate: &mut [f32],
    mut after: impl FnMut(usize, &[f32], &[f32]) -> bool,
) {
    let mut scratch = LucyScratch::default();
    for iteration in 1..=iterations {
        lucy_step(picture, None, blur, estimate, &mut scratch);
        if !after(iteration, estimate, &scratch.model) {
            break;
        }
    }
}

/// Multiplies a picture's spectrum by an isotropic real gain of the frequency in cycles per
/// pixel. The picture counts as periodic.
///
/// # Panics
/// Where a slice does not fit the plan.
pub fn apply_gain(plan: &Fft2, picture: &[f32], gain: impl Fn(f64) -> f64, out: &mut [f32]) {
    let (w, h, half) = (plan.width(), plan.height(), plan.half_width());
    let mut scratch = plan.scratch();
    let mut spectrum = plan.spectrum();
    plan.forward(picture, &mut spectrum, &mut scratch);
    for ky in 0..h {
        for kx in 0..half {
            let r = libm::hypot(frequency(kx, w), frequency(ky, h));
            spectrum[ky * half + kx] *= gain(r) as f32;
        }
    }
    plan.inverse(&mut spectrum, out, &mut scratch);
}

/// Gain of a Wiener filter from the data: `target / transfer * coherence`, at most `cap`, 0
/// where the transfer is.
pub fn wiener_gain(target: f64, transfer: f64, coherence: f64, cap: f64) -> f64 {
    if transfer > 0.0 { (target / transfer * coherence).clamp(0.0, cap) } else { 0.0 }
}

/// Wiener filter with a Laplacian penalty, `conj(H) / (|H|^2 + balance |L|^2)`, L the transform
/// of `0 -1 0 / -1 4 -1 / 0 -1 0` (Hunt 1971 in the form used by scikit-image). The picture
/// counts as periodic; the function has odd sides.
///
/// # Panics
/// Where a slice does not fit the plan.
pub fn wiener_laplacian(
    plan: &Fft2,
    picture: &[f32],
    psf: &[f32],
    psf_width: usize,
    psf_height: usize,
    balance: f64,
    out: &mut [f32],
) {
    let transfer = transfer_of(plan, psf, psf_width, psf_height);
    let laplacian = transfer_of(plan, &[0.0, -1.0, 0.0, -1.0, 4.0, -1.0, 0.0, -1.0, 0.0], 3, 3);
    let mut scratch = plan.scratch();
    let mut spectrum = plan.spectrum();
    plan.forward(picture, &mut spectrum, &mut scratch);
    for ((value, t), l) in spectrum.iter_mut().zip(&transfer).zip(&laplacian) {
        let power = t.norm_sqr() + balance as f32 * l.norm_sqr();
        *value = if power > 0.0 { *value * t.conj() / power } else { Complex32::default() };
    }
    plan.inverse(&mut spectrum, out, &mut scratch);
}
