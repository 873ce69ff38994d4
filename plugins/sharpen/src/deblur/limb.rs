//! Fits a blurred spheroid to a stack: geometry, limb darkening and the stack's transfer at once.
//!
//! The model of a channel is `I (O * M) + b`: O a limb-darkened ellipse ([`super::object`]), M core
//! and halo ([`super::transfer`]) times telescope, pixel and mosaic. Ellipse and seeing are common
//! to all colours; limb darkening, centre, I and b are each channel's own. Least squares over
//! pixels by Levenberg-Marquardt; a pixel's weight falls with its brightness, since markings
//! scatter in proportion, and inside 0.7 radii by five. Weak priors hold what the picture leaves
//! open: the exponent of limb darkening, the halo's excess, the motion.

mod model;

use stillair_api::{Context, gather};
use stillair_maths::fft::Complex32;
use stillair_maths::fit;

use super::canvas::Canvas;
pub use super::ellipse::{Ellipse, Start, start};
use super::object::DiscTables;
use super::transfer::Seeing;
use model::{Evaluation, Work, spheroid, z_max};

/// Parameters common to all channels: radius, two of the ellipse, three of the seeing.
const COMMON: usize = 6;
/// Parameters of one channel: exponent, centre.
const OWN: usize = 3;
/// Difference steps, common then own.
const STEP: [f64; COMMON + OWN] = [0.02, 0.002, 0.002, 0.02, 0.02, 0.005, 0.02, 0.02, 0.02];
/// Bounds of the parameters other than radius and centre.
const LOW: [f64; COMMON + OWN] = [0.0, -0.35, -0.35, 0.03, -1.2, 0.0, 0.0, 0.0, 0.0];
const HIGH: [f64; COMMON + OWN] = [0.0, 0.35, 0.35, 4.0, 1.2, 1.0, 1.8, 0.0, 0.0];
/// Priors (value, inverse spread); spread 0 = none, or by [`Air`].
const PRIOR: [(f64, f64); COMMON + OWN] =
    [(0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.0, 0.0), (0.0, 1000.0), (0.0, 0.0), (0.65, 6.7), (0.0, 0.0), (0.0, 0.0)];

/// What is expected of the air before the fit.
#[derive(Debug, Clone, Copy)]
pub struct Air {
    /// Wavefront variance, rad^2.
    pub wavefront: f64,
    /// Its error.
    pub error: f64,
    /// Motion over the wavefront's variance.
    pub share: f64,
    /// Its error.
    pub share_error: f64,
}

/// What is expected before the fit.
#[derive(Debug, Clone, Copy)]
pub struct Expected {
    /// Of the air.
    pub air: Air,
    /// Of the outline, where it is known otherwise.
    pub outline: Option<Outline>,
}

/// An outline that is known otherwise.
#[derive(Debug, Clone, Copy)]
pub struct Outline {
    /// The outline.
    pub ellipse: Ellipse,
    /// Its centre, window px.
    pub centre_px: (f64, f64),
    /// What its direction's error makes of those of `along` and `across`.
    pub turn_error: f64,
}

/// Error of an outline that is known otherwise: of the radius over itself, and of the other two.
const OUTLINE_ERROR: f64 = 0.003;

/// What one channel brings to the fit.
#[derive(Debug)]
pub struct Channel<'a> {
    /// The stack, window-sized.
    pub picture: &'a [f32],
    /// Wavelength, nm.
    pub wavelength_nm: f64,
    /// Cut-off, cycles per px.
    pub cutoff: f64,
    /// Telescope, pixel and mosaic for every coefficient of the canvas.
    pub fixed: &'a [f32],
    /// What bands add to a disc of brightness 1 ([`super::bands`]), once they are known.
    pub bands: Option<&'a [Complex32]>,
}

/// A channel's part of the result.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFit {
    /// Exponent of limb darkening.
    pub exponent: f64,
    /// Centre in window px.
    pub centre_px: (f64, f64),
    /// Brightness at the disc's centre.
    pub brightness: f64,
    /// Sky.
    pub sky: f64,
    /// Weighted rms of what the model leaves within 0.7 to 1.3 radii, over the brightness.
    pub misfit: f64,
}

/// The fit's result.
#[derive(Debug, Clone, PartialEq)]
pub struct LimbFit {
    /// The limb.
    pub ellipse: Ellipse,
    /// The air.
    pub seeing: Seeing,
    /// Per channel.
    pub channels: Vec<ChannelFit>,
    /// What bands and rings add to a disc of brightness 1, per channel; empty where they are not known.
    pub bands: Vec<Vec<Complex32>>,
    /// Whether it is the model of [`super::ringed`]; the exponent then says nothing.
    pub ringed: bool,
}

fn unpack(common: &[f64]) -> (Ellipse, Seeing) {
    (
        Ellipse { radius_px: common[0], along: common[1], across: common[2] },
        Seeing { wavefront: common[3], halo_excess: common[4], motion: common[5] * common[3] },
    )
}

fn squares(evaluations: &[Evaluation]) -> f64 {
    evaluations.iter().map(|e| stillair_maths::dot(&e.residuals, &e.residuals)).sum()
}

fn prior_of(index: usize, expected: Expected) -> (f64, f64) {
    let air = expected.air;
    if let (Some(outline), 0..3) = (expected.outline, index) {
        let Outline { ellipse, turn_error, .. } = outline;
        let value = [ellipse.radius_px, ellipse.along, ellipse.across][index];
        let error = if index == 0 { OUTLINE_ERROR * ellipse.radius_px } else { OUTLINE_ERROR.max(turn_error) };
        return (value, 1.0 / error);
    }
    if index == 3 {
        return (air.wavefront, 1.0 / air.error);
    }
    if index == 5 {
        return (air.share, 1.0 / air.share_error);
    }
    let k = if index < COMMON { index } else { COMMON + (index - COMMON) % OWN };
    PRIOR[k]
}

/// Whether a parameter is as good as known: a fit of markings must not move it. Left free, the markings of two simulated
/// clips pulled the disc 0.7 px off its known place, and its radius by a sixtieth.
fn held(index: usize, expected: Expected) -> bool {
    let placed = expected.outline.is_some() && (index == 0 || index > COMMON);
    placed || index < COMMON && prior_of(index, expected).1 > 200.0
}

fn prior_squares(p: &[f64], expected: Expected) -> f64 {
    p.iter()
        .enumerate()
        .map(|(i, v)| {
            let (mean, tight) = prior_of(i, expected);
            (v - mean) * (v - mean) * tight * tight
        })
        .sum()
}

/// Fits 1 or 3 channels; `None` where the fit ends outside sense. N = 6 + 3 * channels.
fn fit_n<const N: usize>(
    context: &dyn Context,
    canvas: &Canvas,
    channels: &[Channel<'_>],
    begin: &Start,
    noise: &[f64],
    expected: Expected,
    before: Option<&LimbFit>,
) -> Option<LimbFit> {
    let works: Vec<Work<'_>> = channels.iter().zip(noise).map(|(c, n)| Work::new(canvas, c, begin, *n)).collect();
    let count = channels.len();
    let mut p = [0.0; N];
    p[0] = begin.ellipse.radius_px;
    p[1] = begin.ellipse.along;
    p[2] = begin.ellipse.across;
    p[3] = expected.air.wavefront;
    p[5] = expected.air.share;
    for own in p[COMMON..].chunks_exact_mut(OWN) {
        own.copy_from_slice(&[PRIOR[COMMON].0, begin.centre_px.0, begin.centre_px.1]);
    }
    if let Some(fit) = before {
        p[..COMMON].copy_from_slice(&[
            fit.ellipse.radius_px,
            fit.ellipse.along,
            fit.ellipse.across,
            fit.seeing.wavefront,
            fit.seeing.halo_excess,
            fit.seeing.motion / fit.seeing.wavefront,
        ]);
        for (own, channel) in p[COMMON..].chunks_exact_mut(OWN).zip(&fit.channels) {
            own.copy_from_slice(&[channel.exponent, channel.centre_px.0, channel.centre_px.1]);
        }
    }
    let clamp = |p: &mut [f64; N]| {
        p[0] = p[0].clamp(begin.ellipse.radius_px * 0.75, begin.ellipse.radius_px * 1.35);
        for (i, v) in p.iter_mut().enumerate() {
            let k = if i < COMMON { i } else { COMMON + (i - COMMON) % OWN };
            if HIGH[k] > LOW[k] {
                *v = v.clamp(LOW[k], HIGH[k]);
            }
        }
    };
    clamp(&mut p);
    let evaluate = |p: &[f64; N]| {
        gather(context, count, |c| {
            let own = &p[COMMON + OWN * c..COMMON + OWN * (c + 1)];
            let table = works[c].tables.table(own[0]);
            works[c].evaluate(&p[..COMMON], own, &table, &mut works[c].buffers())
        })
    };
    let mut here = evaluate(&p);
    let mut cost = squares(&here) + prior_squares(&p, expected);
    let mut damping = 1e-3;
    // A first fit only has to be close enough for what it is used for next.
    let tolerance = if before.is_some() { 2e-3 } else { 1e-2 };
    // Derivatives are kept from step to step while they serve.
    let mut kept: Option<Vec<Vec<Vec<f32>>>> = None;
    'rounds: for _ in 0..if before.is_some() { 3 } else { 5 } {
        if context.cancelled() {
            return None;
        }
        let fresh = kept.is_none();
        let columns = kept
            .take()
            .unwrap_or_else(|| gather(context, count, |c| derivatives(&works[c], &p, c, &here[c], expected)));
        // Each channel's own block of the normal equations.
        let blocks = gather(context, count, |c| block(&columns[c], &here[c].residuals));
        let mut normal = [[0.0; N]; N];
        let mut right = [0.0; N];
        for (c, (square, side)) in blocks.iter().enumerate() {
            let place = |k: usize| if k < COMMON { k } else { k + OWN * c };
            for i in 0..COMMON + OWN {
                for j in 0..COMMON + OWN {
                    normal[place(i)][place(j)] += square[i][j];
                }
                right[place(i)] += side[i];
            }
        }
        for i in 0..N {
            let (mean, tight) = prior_of(i, expected);
            normal[i][i] += tight * tight;
            right[i] -= (p[i] - mean) * tight * tight;
        }
        for _ in 0..if fresh { 6 } else { 1 } {
            let mut damped = normal;
            for (i, row) in damped.iter_mut().enumerate() {
                row[i] = row[i] * (1.0 + damping) + 1e-9;
            }
            let mut next = p;
            if let Some(step) = fit::solve(&damped, &right) {
                for (v, s) in next.iter_mut().zip(step) {
                    *v += s;
                }
                clamp(&mut next);
                let there = evaluate(&next);
                let changed = squares(&there) + prior_squares(&next, expected);
                if changed.is_finite() && changed <= cost {
                    let gain = (cost - changed) / cost.max(1e-30);
                    (p, here, cost) = (next, there, changed);
                    damping = (damping * 0.2).max(1e-6);
                    if gain < tolerance && fresh {
                        break 'rounds;
                    }
                    if gain > 0.02 {
                        kept = Some(columns);
                    }
                    continue 'rounds;
                }
            }
            damping *= 6.0;
        }
        if fresh {
            break;
        }
    }
    let (ellipse, seeing) = unpack(&p[..COMMON]);
    let result = channels
        .iter()
        .enumerate()
        .map(|(c, channel)| {
            let own = &p[COMMON + OWN * c..COMMON + OWN * (c + 1)];
            ChannelFit {
                exponent: own[0],
                centre_px: (own[1], own[2]),
                brightness: here[c].brightness,
                sky: here[c].sky,
                misfit: misfit(&works[c], &here[c], &ellipse, own, channel),
            }
        })
        .collect::<Vec<_>>();
    let sound = result.iter().all(|c| c.brightness > 0.0 && c.misfit.is_finite());
    sound.then_some(LimbFit { ellipse, seeing, channels: result, bands: Vec::new(), ringed: false })
}

fn misfit(work: &Work<'_>, at: &Evaluation, ellipse: &Ellipse, own: &[f64], channel: &Channel<'_>) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    let width = work.canvas.width;
    for (i, (r, w)) in at.residuals.iter().zip(&work.weights).enumerate().take(channel.picture.len()) {
        let rho = ellipse.radius((i % width) as f64 - own[1], (i / width) as f64 - own[2]);
        if (0.7..1.3).contains(&rho) {
            let plain = f64::from(r / w);
            sum += plain * plain;
            n += 1.0;
        }
    }
    if n > 0.0 { (sum / n).sqrt() / at.brightness } else { f64::NAN }
}

/// Derivatives of one channel's residuals by its 9 parameters: forward differences; empty for those that are held.
fn derivatives<const N: usize>(
    work: &Work<'_>,
    p: &[f64; N],
    c: usize,
    here: &Evaluation,
    expected: Expected,
) -> Vec<Vec<f32>> {
    let common: [f64; COMMON] = std::array::from_fn(|i| p[i]);
    let own: [f64; OWN] = std::array::from_fn(|i| p[COMMON + OWN * c + i]);
    let mut buffers = work.buffers();
    let table = work.tables.table(own[0]);
    (0..COMMON + OWN)
        .map(|k| {
            if held(k, expected) {
                return Vec::new();
            }
            let (mut moved, mut mine) = (common, own);
            let mut step = STEP[k];
            if k < COMMON {
                if HIGH[k] > LOW[k] && moved[k] + step > HIGH[k] {
                    step = -step;
                }
                moved[k] += step;
            } else {
                mine[k - COMMON] += step;
            }
            let other;
            let used = if k == COMMON {
                other = work.tables.table(mine[0]);
                &other
            } else {
                &table
            };
            let mut column = work.evaluate(&moved, &mine, used, &mut buffers).residuals;
            let scale = (1.0 / step) as f32;
            for (v, r) in column.iter_mut().zip(&here.residuals) {
                *v = (*v - r) * scale;
            }
            column
        })
        .collect()
}

/// `J^T J` and `-J^T r` of one channel.
#[allow(clippy::type_complexity)]
fn block(columns: &[Vec<f32>], residuals: &[f32]) -> ([[f64; COMMON + OWN]; COMMON + OWN], [f64; COMMON + OWN]) {
    let mut square = [[0.0; COMMON + OWN]; COMMON + OWN];
    let mut side = [0.0; COMMON + OWN];
    for i in (0..COMMON + OWN).filter(|i| !columns[*i].is_empty()) {
        for j in (0..=i).filter(|j| !columns[*j].is_empty()) {
            square[i][j] = stillair_maths::dot(&columns[i], &columns[j]);
            square[j][i] = square[i][j];
        }
        side[i] = -stillair_maths::dot(&columns[i], residuals);
    }
    (square, side)
}

/// Fits a spheroid to 1 or 3 channels; `noise` is the stack's noise per pixel of each, `expected` what is known
/// otherwise, `before` an earlier fit to begin from.
pub fn fit_limb(
    context: &dyn Context,
    canvas: &Canvas,
    channels: &[Channel<'_>],
    begin: &Start,
    noise: &[f64],
    expected: Expected,
    before: Option<&LimbFit>,
) -> Option<LimbFit> {
    match channels.len() {
        1 => fit_n::<{ COMMON + OWN }>(context, canvas, channels, begin, noise, expected, before),
        3 => fit_n::<{ COMMON + 3 * OWN }>(context, canvas, channels, begin, noise, expected, before),
        _ => None,
    }
}

/// The sharp spheroid's spectrum of one channel (`I` included), all coefficients.
pub fn object_spectrum(canvas: &Canvas, fit: &LimbFit, channel: usize) -> Vec<Complex32> {
    let own = &fit.channels[channel];
    let all: Vec<(u32, f32, f32, f32)> =
        canvas.frequencies().enumerate().map(|(i, (fx, fy))| (i as u32, fx as f32, fy as f32, 0.0)).collect();
    let begin = Start { centre_px: own.centre_px, ellipse: fit.ellipse };
    let table = DiscTables::new(z_max(&begin)).table(own.exponent);
    let mut out = canvas.plan.spectrum();
    let brightness = own.brightness as f32;
    let (mut columns, mut rows) = (Vec::new(), Vec::new());
    spheroid(canvas, &all, &table, &fit.ellipse, own.centre_px, &mut columns, &mut rows, &mut out, |_, _| brightness);
    if let Some(bands) = fit.bands.get(channel) {
        for (o, b) in out.iter_mut().zip(bands) {
            *o += b * brightness;
        }
    }
    out
}
