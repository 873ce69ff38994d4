//! How blurred a stack is, told by the dark sky about its object.
//!
//! Sharpened with the right transfer towards a soft Gaussian, the object ends at its outline; with
//! too little blur assumed a halo stays about it, with too much a moat is dug. So the wavefront's
//! variance is that which leaves the least light in the sky, whatever the object looks like
//! inside: no model of a disc is needed. Mean brightness is taken over belts of equal distance
//! from the outline. A belt's mean is linear in the spectrum, so its sums over rings of frequency
//! are gathered once, and every trial costs a few hundred products. (The same condition, light
//! only where the object is, carries blind deconvolution: Ayers & Dainty 1988, Opt. Lett. 13, 547.)

use stillair_api::{Context, Image, gather};
use stillair_maths::fft::Complex32;
use stillair_maths::robust;

use super::canvas::Canvas;
use super::ellipse::FLATTEST;
use super::optics::Optics;
use super::outline;
use super::plan::ChannelPlan;
use super::transfer::{self, Seeing, USUAL_RADIUS, usual_motion};
use crate::wiener::target;

/// Width of the soft target, lambda/D.
const SOFT_FWHM: f64 = 1.3;
/// Frequencies used, of the cut-off.
const HIGHEST: f64 = 0.75;
/// Rings of frequency below [`HIGHEST`].
const RINGS: usize = 120;
/// The outline lies at this part of the bright end.
const OUTLINE: f32 = 0.03;
/// First belt's beginning, width, and number of belts, in lambda/D from the outline.
const BELTS: (f64, f64, usize) = (1.1, 0.3, 9);
/// Pixels of the window's edge left out: they are blended into the margins.
const EDGE_PX: usize = 3;
/// What a belt's mean may deviate by for other reasons than blur, of the bright end.
const BELT_ERROR: f64 = 0.0015;
/// One unit of a camera of 8 bits, white levels.
const UNIT: f64 = 1.0 / 255.0;
/// Light that the belts keep, over the outer belts, when a stack is sharpened with its true transfer, in units of 8
/// bits: rounding to whole units loses the faint outer parts of a halo where the noise of a frame does not spread them.
/// About half of what the dimmest simulated stacks showed.
const ROUNDED_OFF: [f64; BELTS.2] = [0.055, 0.046, 0.037, 0.013, 0.0, 0.0, 0.0, 0.0, 0.0];
/// How far that is known, units: a colour of few units tells little.
const ROUNDING_ERROR: f64 = 0.08;
/// Wavefront variance of stacks of usable frames and its scatter, rad^2.
pub const USUAL: (f64, f64) = (0.6, 0.35);

/// What the sky tells.
#[derive(Debug, Clone)]
pub struct SkyFit {
    /// Wavefront variance, rad^2.
    pub wavefront: f64,
    /// Usual motion on a target of this size.
    pub motion: f64,
    /// Radius of a disc of the object's second moment, lambda/D.
    pub radius: f64,
    /// Whether the object is longer than a globe.
    pub ringed: bool,
    /// The middle channel, softly sharpened.
    pub soft: Vec<f32>,
}

/// A channel's spectrum sharpened but for the air, by channel.
fn without_air(canvas: &Canvas, channel: &ChannelPlan, fixed: &[f32]) -> Vec<Complex32> {
    let gains = canvas.frequencies().zip(fixed).map(|((fx, fy), fixed)| {
        let nu = libm::hypot(fx, fy) / channel.cutoff;
        if nu < HIGHEST && *fixed > 1e-3 { target(SOFT_FWHM, nu) as f32 / fixed } else { 0.0 }
    });
    channel.spectrum.iter().zip(gains).map(|(v, g)| v * g).collect()
}

fn ring_of(nu: f64) -> usize {
    (nu / HIGHEST * RINGS as f64) as usize
}

/// Powers of `nu` at the rings' centres.
fn ring_powers() -> [(f64, f64); RINGS] {
    std::array::from_fn(|r| transfer::powers((r as f64 + 0.5) / RINGS as f64 * HIGHEST))
}

/// Inverse of the air's transfer at the rings' centres, at most 20.
fn inverse_air(seeing: &Seeing, wavelength_nm: f64, powers: &[(f64, f64); RINGS]) -> [f64; RINGS] {
    let blur = seeing.at(wavelength_nm);
    powers.map(|p| 1.0 / blur.at_powers(&p).max(0.05))
}

fn soften(canvas: &Canvas, airless: &[Complex32], channel: &ChannelPlan, seeing: &Seeing, nm: f64) -> Vec<f32> {
    let inverse = inverse_air(seeing, nm, &ring_powers());
    let mut spectrum: Vec<Complex32> = canvas
        .frequencies()
        .zip(airless)
        .map(|((fx, fy), v)| match inverse.get(ring_of(libm::hypot(fx, fy) / channel.cutoff)) {
            Some(gain) => v * *gain as f32,
            None => Complex32::default(),
        })
        .collect();
    let mut out = vec![0.0; canvas.width * canvas.height];
    canvas.inverse(&mut spectrum, 0.0, &mut out, &mut canvas.plan.scratch());
    out
}

/// Belt number of each pixel of the window, and pixels per belt.
fn belts(canvas: &Canvas, body: &[bool], resolution_px: f64) -> (Vec<Option<u8>>, [f64; BELTS.2]) {
    let (first, step, count) = BELTS;
    let reach = resolution_px * (first + step * count as f64);
    let distance = outline::distance(body, canvas.width, canvas.height, reach);
    let mut counts = [0.0; BELTS.2];
    let belts = distance
        .iter()
        .enumerate()
        .map(|(i, d)| {
            let (x, y) = (i % canvas.width, i / canvas.width);
            let inside = x >= EDGE_PX && y >= EDGE_PX && x + EDGE_PX < canvas.width && y + EDGE_PX < canvas.height;
            let belt = (f64::from(*d) / resolution_px - first) / step;
            (inside && belt >= 0.0 && belt < count as f64).then(|| {
                counts[belt as usize] += 1.0;
                belt as u8
            })
        })
        .collect();
    (belts, counts)
}

/// The ring of every frequency of a half plane, for a cutoff.
fn rings_of(canvas: &Canvas, cutoff: f64) -> Vec<u16> {
    canvas.frequencies().map(|(fx, fy)| ring_of(libm::hypot(fx, fy) / cutoff).min(RINGS) as u16).collect()
}

/// Sums over rings of frequency whose combination with [`inverse_air`] is the mean of a belt.
fn belt_rings(
    canvas: &Canvas,
    belts: &[Option<u8>],
    belt: usize,
    count: f64,
    airless: &[Vec<Complex32>],
    ring_at: &[Vec<u16>],
) -> Vec<[f64; RINGS]> {
    let (w, h, half) = (canvas.plan.width(), canvas.plan.height(), canvas.plan.half_width());
    let mut field = vec![0.0; w * h];
    for (i, b) in belts.iter().enumerate() {
        if b.map(usize::from) == Some(belt) {
            field[i / canvas.width * w + i % canvas.width] = 1.0;
        }
    }
    let mut spectrum = canvas.plan.spectrum();
    canvas.plan.forward(&field, &mut spectrum, &mut canvas.plan.scratch());
    let mut all = vec![[0.0; RINGS]; airless.len()];
    for ((sums, airless), ring_at) in all.iter_mut().zip(airless).zip(ring_at) {
        for (i, ((v, s), ring)) in airless.iter().zip(&spectrum).zip(ring_at).enumerate() {
            if let Some(sum) = sums.get_mut(usize::from(*ring)) {
                let column = i % half;
                let twice = if column == 0 || (w.is_multiple_of(2) && column == w / 2) { 1.0 } else { 2.0 };
                *sum += twice * f64::from(v.re * s.re + v.im * s.im);
            }
        }
    }
    let scale = 1.0 / (count * (w * h) as f64);
    all.iter_mut().flatten().for_each(|v| *v *= scale);
    all
}

/// Wavefront variance from the sky about the object; `None` where there is too little of it.
pub fn wavefront(
    context: &dyn Context,
    image: &Image,
    canvas: &Canvas,
    optics: &Optics,
    channels: &[ChannelPlan],
    fixed: &[Vec<f32>],
) -> Option<SkyFit> {
    let middle = channels.len() / 2;
    let airless = gather(context, channels.len(), |c| without_air(canvas, &channels[c], &fixed[c]));
    let ring_at = gather(context, channels.len(), |c| rings_of(canvas, channels[c].cutoff));
    let soft = |wavefront: f64, radius: f64| {
        let seeing = Seeing { wavefront, halo_excess: 0.0, motion: usual_motion(wavefront, radius) };
        soften(canvas, &airless[middle], &channels[middle], &seeing, optics.wavelength_nm[middle])
    };
    // Only sums of frames have been rounded frame by frame.
    let rounded = if image.info.frames_effective >= 2.0 { UNIT } else { 0.0 };
    let powers = ring_powers();
    let mut best = USUAL.0;
    let mut radius = USUAL_RADIUS;
    let mut ringed = false;
    // The outline moves a little with the blur: once more where it was far from the usual.
    for round in 0..2 {
        let picture = soft(best, radius);
        let top = robust::percentile_f32(&picture, 99.0, &mut Vec::new());
        let body: Vec<bool> = picture.iter().map(|v| *v > OUTLINE * top).collect();
        let filled = body.iter().filter(|b| **b).count();
        if top <= 0.0 || filled < 12 {
            return None;
        }
        let (belts, counts) = belts(canvas, &body, 1.0 / channels[middle].cutoff);
        let all: f64 = counts.iter().sum();
        // Sky on all sides out to some widths of the blur, or the margins would pass for sky.
        if all < 0.05 * filled as f64 || counts[..5].iter().any(|n| *n < 20.0) || edge_share(&body, canvas) > 0.1 {
            return None;
        }
        let (radius_px, flat) = extent(&body, canvas);
        radius = radius_px * channels[middle].cutoff;
        ringed = flat > FLATTEST;
        let rings = gather(context, BELTS.2, |b| belt_rings(canvas, &belts, b, counts[b].max(1.0), &airless, &ring_at));
        let tops: Vec<f64> = airless
            .iter()
            .zip(channels)
            .enumerate()
            .map(|(c, (airless, channel))| {
                if c == middle {
                    return f64::from(top);
                }
                let seeing = Seeing { wavefront: best, halo_excess: 0.0, motion: usual_motion(best, radius) };
                let picture = soften(canvas, airless, channel, &seeing, optics.wavelength_nm[c]);
                f64::from(robust::percentile_f32(&picture, 99.0, &mut Vec::new()))
            })
            .collect();
        let usual = (all / BELTS.2 as f64).max(1.0);
        let cost = |wavefront: f64| {
            let seeing = Seeing { wavefront, halo_excess: 0.0, motion: usual_motion(wavefront, radius) };
            let off = (wavefront - USUAL.0) / USUAL.1;
            let mut sum = off * off;
            for (c, top) in tops.iter().enumerate().filter(|(_, t)| **t > 0.0) {
                let inverse = inverse_air(&seeing, optics.wavelength_nm[c], &powers);
                let means: [f64; BELTS.2] =
                    std::array::from_fn(|b| rings[b][c].iter().zip(&inverse).map(|(r, i)| r * i).sum::<f64>() / top);
                let unit = rounded / top;
                let error = libm::hypot(BELT_ERROR, ROUNDING_ERROR * unit);
                // The sky's own level is that of the belts farther out.
                let outer = 3..BELTS.2;
                let n: f64 = counts[outer.clone()].iter().sum();
                let sky = if n > 0.0 { outer.map(|b| means[b] * counts[b]).sum::<f64>() / n } else { 0.0 };
                for ((mean, count), left) in means.iter().zip(&counts).zip(ROUNDED_OFF) {
                    let off = (mean - sky - left * unit) / error;
                    sum += count / usual * off * off;
                }
            }
            sum
        };
        // Coarse steps to 3 rad^2, then fine ones about the best.
        let least = |from: f64, step: f64, count: usize| {
            let grid = gather(context, count, |i| cost(from + step * i as f64));
            let at = (1..count - 1).min_by(|a, b| grid[*a].total_cmp(&grid[*b])).unwrap_or(1);
            let bend = grid[at - 1] - 2.0 * grid[at] + grid[at + 1];
            let off = if bend > 0.0 { (0.5 * (grid[at - 1] - grid[at + 1]) / bend).clamp(-1.0, 1.0) } else { 0.0 };
            (from + step * at as f64, step * off)
        };
        let (coarse, _) = least(0.04, 0.18, 18);
        let (fine, off) = least((coarse - 0.18).max(0.01), 0.06, 7);
        let found = (fine + off).max(0.01);
        let moved = (found - best).abs();
        best = found;
        if round == 0 && moved < 0.3 {
            break;
        }
    }
    Some(SkyFit { wavefront: best, motion: usual_motion(best, radius), radius, ringed, soft: soft(best, radius) })
}

/// Radius of the disc that has the object's second moment about its centre, px, and half the difference of its squared
/// axes over their mean.
fn extent(body: &[bool], canvas: &Canvas) -> (f64, f64) {
    let inside = || {
        body.iter()
            .enumerate()
            .filter(|(_, b)| **b)
            .map(|(i, _)| ((i % canvas.width) as f64, (i / canvas.width) as f64))
    };
    let count = inside().count().max(1) as f64;
    let (x, y) = inside().fold((0.0, 0.0), |(sx, sy), (x, y)| (sx + x / count, sy + y / count));
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for (u, v) in inside().map(|(u, v)| (u - x, v - y)) {
        xx += u * u / count;
        xy += u * v / count;
        yy += v * v / count;
    }
    let moment: f64 = xx + yy;
    ((2.0 * moment).sqrt(), libm::hypot(xx - yy, 2.0 * xy) / moment.max(f64::MIN_POSITIVE))
}

/// Share of the window's edge that the object covers.
fn edge_share(body: &[bool], canvas: &Canvas) -> f64 {
    let (w, h) = (canvas.width, canvas.height);
    let rows = (0..w).flat_map(|x| [x, (h - 1) * w + x]);
    let columns = (0..h).flat_map(|y| [y * w, y * w + w - 1]);
    let covered = rows.chain(columns).filter(|i| body[*i]).count();
    covered as f64 / (2 * (w + h)) as f64
}
