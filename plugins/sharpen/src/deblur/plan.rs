//! Everything a filter needs to know of a stack: spectra, noise, transfer and, where the target is
//! a spheroid, its model.

use stillair_api::{Context, Facts, Fault, Image, Outcome, gather};
use stillair_maths::fft::Complex32;
use stillair_maths::{mtf, robust};

use super::bands;
use super::canvas::Canvas;
use super::limb::{self, Air, Channel, Ellipse, Expected, LimbFit, Outline};
use super::noise;
use super::optics::Optics;
use super::ringed;
use super::sky::{self, SkyFit, USUAL};
use super::transfer::{self, CoreHalo, MOTION_SHARE, REFERENCE_NM, Seeing};

/// A channel of the stack in the frequency domain.
#[derive(Debug, Clone)]
pub struct ChannelPlan {
    /// Sky, white levels.
    pub sky: f32,
    /// Spectrum of the stack less its sky.
    pub spectrum: Vec<Complex32>,
    /// Noise power per ring.
    pub noise: Vec<f64>,
    /// Cut-off, cycles per px.
    pub cutoff: f64,
    /// The stack's transfer for every coefficient, all kernels included.
    pub transfer: Vec<f32>,
    /// Core and halo.
    pub blur: CoreHalo,
}

/// The stack understood.
#[derive(Debug)]
pub struct Plan {
    /// Field and transforms.
    pub canvas: Canvas,
    /// Per channel.
    pub channels: Vec<ChannelPlan>,
    /// The spheroid, where there is one.
    pub limb: Option<LimbFit>,
    /// The air.
    pub seeing: Seeing,
    /// Whether the cut-off was estimated from the noise for want of facts.
    pub cutoff_estimated: bool,
}

/// What is known of the image motion that a stack keeps; nothing by default.
#[derive(Debug, Clone, Copy, Default)]
pub struct Left {
    /// The motion itself, standard deviation along an axis at [`transfer::REFERENCE_NM`], lambda/D.
    pub motion: Option<f64>,
    /// How much the air bent the field: rms of the local shifts along an axis, px of the capture.
    pub field_px: Option<f64>,
}

/// Least margin of the field, px.
const MARGIN_PX: usize = 24;
/// Largest misfit in the limb's zone, of the disc's brightness, with which a spheroid is believed.
const MISFIT: f64 = 0.12;
/// As much where the outline is that of a globe that was placed before: what is left then is markings.
const MISFIT_OF_GLOBE: f64 = 0.3;
/// Motion that was measured may be so many times more or less than the usual.
const FROM_USUAL: f64 = 3.0;
/// Beyond this phase a globe is no disc, radians.
const FULL: f64 = 0.2;
/// Least half difference of the squared axes, of their mean, at which the ellipse's axis is the pole's.
const FLATTENED: f64 = 0.02;
/// Error with which the sky's wavefront variance and the motion that goes with it enter the limb's fit: held, because
/// there markings and the darkening towards the limb pass for blur.
const AIR_ERROR: f64 = 0.003;

impl Plan {
    /// Understands a stack. `spheroid` false skips the disc.
    ///
    /// # Errors
    /// If the picture is empty or the run was cancelled.
    pub fn of(context: &dyn Context, image: &Image, facts: &Facts, spheroid: bool) -> Outcome<Self> {
        Self::with_motion(context, image, facts, spheroid, Left::default())
    }

    /// As [`Plan::of`], told what is left in the stack of image motion.
    ///
    /// # Errors
    /// As [`Plan::of`].
    pub fn with_motion(
        context: &dyn Context,
        image: &Image,
        facts: &Facts,
        spheroid: bool,
        told: Left,
    ) -> Outcome<Self> {
        if image.area() == 0 || image.channels == 0 || image.data.len() != image.area() * image.channels {
            return Err(Fault::data("the picture to be sharpened has no pixels"));
        }
        if image.data.iter().any(|v| !v.is_finite()) {
            return Err(Fault::data("the picture to be sharpened holds values that are not numbers")
                .remedy("look at the step before: a stack of no frames gives such"));
        }
        let optics = Optics::of(image, facts);
        let canvas = Canvas::new(image.width, image.height, MARGIN_PX);
        let mut channels = gather(context, image.channels, |c| spectra(&canvas, image, c));
        let cutoff_estimated = optics.cutoff.len() != image.channels;
        for (c, channel) in channels.iter_mut().enumerate() {
            channel.cutoff = if cutoff_estimated {
                estimate_cutoff(&canvas, channel) * optics.wavelength_nm[image.channels / 2] / optics.wavelength_nm[c]
            } else {
                optics.cutoff[c]
            };
            if channel.noise.is_empty() {
                channel.noise = noise::noise_beyond(&canvas.rings, &channel.spectrum, channel.cutoff);
            }
        }
        if cutoff_estimated {
            let middle = channels[image.channels / 2].cutoff;
            for (c, channel) in channels.iter_mut().enumerate() {
                channel.cutoff = middle * optics.wavelength_nm[image.channels / 2] / optics.wavelength_nm[c];
            }
        }
        let fixed = gather(context, image.channels, |c| fixed_transfer(&canvas, &optics, c, channels[c].cutoff));
        let mut sky = sky::wavefront(context, image, &canvas, &optics, &channels, &fixed);
        if let Some(sky) = &mut sky {
            let middle = image.channels / 2;
            let resolution_px = REFERENCE_NM / (channels[middle].cutoff * optics.wavelength_nm[middle]);
            let ringed = image.info.globe.as_ref().map_or(sky.ringed, |globe| globe.body == "saturn");
            let left = if image.info.parts_placed { transfer::after_parts(sky.radius, ringed) } else { 1.0 };
            let usual = told.field_px.map_or(sky.motion, |field_px| {
                let field = field_px * image.info.px_per_capture_px / resolution_px;
                let seen = transfer::motion_of_field(field, sky.radius, ringed);
                seen.clamp(sky.motion / FROM_USUAL, sky.motion * FROM_USUAL)
            });
            sky.motion = told.motion.map_or(left * usual, |m| m * m);
        }
        let limb = if spheroid { fit(context, image, &canvas, &optics, &channels, &fixed, sky.as_ref()) } else { None };
        if context.cancelled() {
            return Err(Fault::cancelled());
        }
        let seeing = match (&limb, &sky) {
            (Some(limb), _) => limb.seeing,
            (None, Some(sky)) => Seeing { wavefront: sky.wavefront, halo_excess: 0.0, motion: sky.motion },
            (None, None) => from_power(&canvas, &optics, &channels, &fixed, told.motion),
        };
        for (c, channel) in channels.iter_mut().enumerate() {
            channel.blur = seeing.at(optics.wavelength_nm[c]);
            channel.transfer = whole_transfer(&canvas, &channel.blur, channel.cutoff, &fixed[c]);
            if let Some(limb) = &limb {
                channel.sky = limb.channels[c].sky as f32;
            }
        }
        Ok(Self { canvas, channels, limb, seeing, cutoff_estimated })
    }
}

impl Plan {
    /// The wavefront's variance, rad^2, as the sky about the target tells it; `None` where telescope or scale are
    /// unknown or there is no sky.
    ///
    /// # Errors
    /// If the picture is empty or the run was cancelled.
    pub fn told_by_sky(context: &dyn Context, image: &Image, facts: &Facts) -> Outcome<Option<f64>> {
        if image.area() == 0 || image.channels == 0 || image.data.iter().any(|v| !v.is_finite()) {
            return Err(Fault::data("the picture has no pixels, or values that are not numbers"));
        }
        let optics = Optics::of(image, facts);
        if optics.cutoff.len() != image.channels {
            return Ok(None);
        }
        let canvas = Canvas::new(image.width, image.height, MARGIN_PX);
        let mut channels = gather(context, image.channels, |c| spectra(&canvas, image, c));
        for (channel, cutoff) in channels.iter_mut().zip(&optics.cutoff) {
            channel.cutoff = *cutoff;
            if channel.noise.is_empty() {
                channel.noise = noise::noise_beyond(&canvas.rings, &channel.spectrum, channel.cutoff);
            }
        }
        let fixed = gather(context, image.channels, |c| fixed_transfer(&canvas, &optics, c, channels[c].cutoff));
        let told = sky::wavefront(context, image, &canvas, &optics, &channels, &fixed).map(|sky| sky.wavefront);
        if context.cancelled() { Err(Fault::cancelled()) } else { Ok(told) }
    }
}

/// Transfer of telescope, pixel and mosaic for every coefficient.
fn fixed_transfer(canvas: &Canvas, optics: &Optics, channel: usize, cutoff: f64) -> Vec<f32> {
    const STEPS: usize = 1024;
    let table: Vec<f32> =
        (0..=STEPS).map(|i| mtf::obstructed(i as f64 / STEPS as f64, optics.obstruction) as f32).collect();
    canvas
        .frequencies()
        .map(|(fx, fy)| {
            let at = libm::hypot(fx, fy) / cutoff * STEPS as f64;
            let i = at as usize;
            if i >= STEPS {
                return 0.0;
            }
            let t = (at - i as f64) as f32;
            (table[i] + t * (table[i + 1] - table[i])) * optics.kernels(channel, fx, fy) as f32
        })
        .collect()
}

fn whole_transfer(canvas: &Canvas, blur: &CoreHalo, cutoff: f64, fixed: &[f32]) -> Vec<f32> {
    const STEPS: usize = 1024;
    let table = blur.table(STEPS);
    canvas
        .frequencies()
        .zip(fixed)
        .map(|((fx, fy), f)| {
            let at = libm::hypot(fx, fy) / cutoff * STEPS as f64;
            let i = at as usize;
            if i >= STEPS {
                return 0.0;
            }
            let t = (at - i as f64) as f32;
            (table[i] + t * (table[i + 1] - table[i])) * f
        })
        .collect()
}

fn spectra(canvas: &Canvas, image: &Image, c: usize) -> ChannelPlan {
    let mut scratch = canvas.plan.scratch();
    let picture = image.channel(c);
    let sky = border_level(picture, image.width, image.height);
    let spectrum = canvas.forward(picture, sky, &mut scratch);
    let noise = match (image.half(0, c), image.half(1, c)) {
        (Some(a), Some(b)) => {
            let difference: Vec<f32> = a.iter().zip(b).map(|(a, b)| 0.5 * (a - b)).collect();
            noise::of_difference(&canvas.rings, &canvas.forward(&difference, 0.0, &mut scratch))
        }
        _ => Vec::new(),
    };
    let blur = CoreHalo { core: 1.0, halo: 0.0, jitter: 0.0 };
    ChannelPlan { sky, spectrum, noise, cutoff: 0.0, transfer: Vec::new(), blur }
}

/// Low end (20th percentile) of the outermost pixels.
fn border_level(picture: &[f32], width: usize, height: usize) -> f32 {
    let mut edge = Vec::with_capacity(2 * (width + height));
    edge.extend_from_slice(&picture[..width]);
    edge.extend_from_slice(&picture[(height - 1) * width..]);
    for row in picture.chunks_exact(width) {
        edge.push(row[0]);
        edge.push(row[width - 1]);
    }
    robust::percentile_f32(&edge, 20.0, &mut Vec::new())
}

/// Cut-off where no facts give it: half-stacks agree (coherence 0.25) to about 0.7 of it on an
/// ordinary stack.
fn estimate_cutoff(canvas: &Canvas, channel: &ChannelPlan) -> f64 {
    let noise = if channel.noise.is_empty() {
        noise::noise_beyond(&canvas.rings, &channel.spectrum, 0.45)
    } else {
        channel.noise.clone()
    };
    let coherence = noise::coherence(&canvas.rings, &channel.spectrum, &noise, 1.0);
    let end =
        coherence.iter().enumerate().skip(3).find(|(_, c)| **c < 0.25).map_or(0.5, |(i, _)| canvas.rings.frequency(i));
    (end / 0.7).clamp(0.1, 0.75)
}

fn fit(
    context: &dyn Context,
    image: &Image,
    canvas: &Canvas,
    optics: &Optics,
    channels: &[ChannelPlan],
    fixed: &[Vec<f32>],
    sky: Option<&SkyFit>,
) -> Option<LimbFit> {
    if let Some(sky) = sky
        && let Some(found) = fit_ringed(context, image, canvas, optics, channels, fixed, sky)
    {
        return Some(found);
    }
    let picture = sky.map_or(image.channel(image.channels / 2), |s| &s.soft);
    let mut begin = limb::start(picture, image.width, image.height)?;
    let outline = outline_of(image);
    if let Some(outline) = outline {
        (begin.ellipse, begin.centre_px) = (outline.ellipse, outline.centre_px);
    }
    let air = sky.map_or(
        Air { wavefront: USUAL.0, error: 2.0 * USUAL.1, share: MOTION_SHARE.0, share_error: MOTION_SHARE.1 },
        |s| Air { wavefront: s.wavefront, error: AIR_ERROR, share: s.motion / s.wavefront, share_error: AIR_ERROR },
    );
    let expected = Expected { air, outline };
    let pixels = (canvas.width * canvas.height) as f64;
    let noises: Vec<f64> = channels
        .iter()
        .map(|c| {
            let counts = canvas.rings.counts();
            let total: f64 = c.noise.iter().zip(counts).map(|(n, k)| n * k).sum();
            let n: f64 = counts.iter().sum();
            (total / n / pixels).max(0.0).sqrt()
        })
        .collect();
    let limit = if outline.is_some() { MISFIT_OF_GLOBE } else { MISFIT };
    let believed = |found: &LimbFit| found.channels.iter().all(|c| c.misfit < limit);
    let plain = {
        let parts = parts(image, optics, channels, fixed, &[]);
        limb::fit_limb(context, canvas, &parts, &begin, &noises, expected, None).filter(believed)?
    };
    // Only a flattened globe tells where its pole is.
    if libm::hypot(plain.ellipse.along, plain.ellipse.across) < FLATTENED {
        return Some(plain);
    }
    let bands = gather(context, image.channels, |c| {
        let blur = plain.seeing.at(optics.wavelength_nm[c]);
        let transfer = whole_transfer(canvas, &blur, channels[c].cutoff, &fixed[c]);
        let source = bands::Source {
            picture: image.channel(c),
            transfer: &transfer,
            noise: &channels[c].noise,
            cutoff: channels[c].cutoff,
        };
        bands::spectrum(canvas, &plain, c, &source)
    });
    let begin = limb::Start { centre_px: plain.channels[image.channels / 2].centre_px, ellipse: plain.ellipse };
    let banded = parts(image, optics, channels, fixed, &bands);
    let second = limb::fit_limb(context, canvas, &banded, &begin, &noises, expected, Some(&plain)).filter(believed);
    let better = |second: &LimbFit| second.channels.iter().zip(&plain.channels).all(|(s, p)| s.misfit <= p.misfit);
    match second.filter(better) {
        Some(mut second) => {
            second.bands = bands;
            Some(second)
        }
        None => Some(plain),
    }
}

/// The globe of a Saturn that was placed before, fitted together with its rings, with the blur that the sky tells.
fn fit_ringed(
    context: &dyn Context,
    image: &Image,
    canvas: &Canvas,
    optics: &Optics,
    channels: &[ChannelPlan],
    fixed: &[Vec<f32>],
    sky: &SkyFit,
) -> Option<LimbFit> {
    let globe = image.info.globe.as_ref().filter(|globe| globe.body == "saturn" && globe.doubts.is_empty())?;
    let polar_px = image.info.disc.filter(|disc| disc.equatorial_radius_px > 0.0)?.polar_radius_px;
    let seeing = Seeing { wavefront: sky.wavefront, halo_excess: 0.0, motion: sky.motion };
    let transfers = gather(context, image.channels, |c| {
        whole_transfer(canvas, &seeing.at(optics.wavelength_nm[c]), channels[c].cutoff, &fixed[c])
    });
    let source = |c: usize| ringed::Source { picture: image.channel(c), transfer: &transfers[c] };
    let sources: Vec<ringed::Source<'_>> = (0..image.channels).map(source).collect();
    ringed::fit(context, canvas, globe, polar_px, &sources, seeing)
}

/// The limb of a globe that was placed before, where it is a whole disc and suits picture and sky: one that does not may
/// have another shape.
fn outline_of(image: &Image) -> Option<Outline> {
    let globe = image.info.globe.as_ref().filter(|globe| globe.phase_rad < FULL && globe.doubts.is_empty())?;
    let disc = image.info.disc.filter(|disc| disc.equatorial_radius_px > 0.0)?;
    let (a, b) = (disc.equatorial_radius_px, disc.polar_radius_px);
    let sum = a * a + b * b;
    let flat = (a * a - b * b) / sum;
    // The larger axis lies across the pole's direction.
    let (across, along) = libm::sincos(2.0 * disc.pole_rad);
    // Mean and scatter of exp(2 i angle) for a normal angle: where nothing is known of the pole, the mean is a circle.
    let known = libm::exp(-2.0 * globe.pole_sigma_rad * globe.pole_sigma_rad);
    let turn_error = flat.abs() * (0.5 * (1.0 - known * known)).sqrt();
    let flat = flat * known;
    let ellipse = Ellipse { radius_px: (0.5 * sum).sqrt(), along: flat * along, across: flat * across };
    Some(Outline { ellipse, centre_px: (disc.x_px, disc.y_px), turn_error })
}

/// What each channel brings to the limb's fit; `bands` empty or one for each.
fn parts<'a>(
    image: &'a Image,
    optics: &Optics,
    channels: &[ChannelPlan],
    fixed: &'a [Vec<f32>],
    bands: &'a [Vec<Complex32>],
) -> Vec<Channel<'a>> {
    (0..image.channels)
        .map(|c| Channel {
            picture: image.channel(c),
            wavelength_nm: optics.wavelength_nm[c],
            cutoff: channels[c].cutoff,
            fixed: &fixed[c],
            bands: bands.get(c).map(Vec::as_slice),
        })
        .collect()
}

/// Usual [`Seeing::motion`] where neither disc nor sky tells the air, `(lambda/D)^2`.
const USUAL_MOTION: f64 = 0.16;
/// Error of what [`from_power`] reads from the slope, rad^2.
const POWER_ERROR: f64 = 0.7;

/// Seeing where neither disc nor sky tells it: edges and clouds have ring powers near `f^-3` (the transform of
/// a step along a curve), so the wavefront's variance is that which brings the noise-free power
/// over the squared transfer closest to `f^-3` where the stack's coherence exceeds a half.
fn from_power(
    canvas: &Canvas,
    optics: &Optics,
    channels: &[ChannelPlan],
    fixed: &[Vec<f32>],
    motion: Option<f64>,
) -> Seeing {
    let motion = motion.map_or(USUAL_MOTION, |m| m * m);
    let middle = channels.len() / 2;
    let channel = &channels[middle];
    let power = canvas.rings.power(&channel.spectrum);
    let coherence = noise::coherence(&canvas.rings, &channel.spectrum, &channel.noise, 1.0);
    let fixed_power: Vec<f64> = {
        let spectrum: Vec<Complex32> = fixed[middle].iter().map(|f| Complex32::new(*f, 0.0)).collect();
        canvas.rings.power(&spectrum)
    };
    let rings: Vec<(f64, f64, f64)> = (1..power.len())
        .filter_map(|i| {
            let f = canvas.rings.frequency(i);
            let nu = f / channel.cutoff;
            let signal = power[i] * coherence[i];
            ((0.12..0.9).contains(&nu) && coherence[i] > 0.5 && signal > 0.0 && fixed_power[i] > 0.0).then(|| {
                let log = libm::log(signal / fixed_power[i]) + 3.0 * libm::log(f);
                (nu, log, f * coherence[i])
            })
        })
        .collect();
    let misfit = |wavefront: f64| {
        let seeing = Seeing { wavefront, halo_excess: 0.0, motion };
        let blur = seeing.at(optics.wavelength_nm[middle]);
        let (mut w, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for (nu, log, weight) in &rings {
            let rest = log - 2.0 * libm::log(blur.at(*nu).max(1e-9));
            w += weight;
            sum += weight * rest;
            squares += weight * rest * rest;
        }
        if w > 0.0 { squares / w - (sum / w) * (sum / w) } else { 0.0 }
    };
    let best = (2..70)
        .map(|i| f64::from(i) * 0.05)
        .min_by(|a, b| misfit(*a).total_cmp(&misfit(*b)))
        .filter(|_| rings.len() > 5)
        .unwrap_or(USUAL.0);
    // Pictures differ in their power's slope far more than stacks in their blur.
    let (power_weight, usual_weight) = (1.0 / (POWER_ERROR * POWER_ERROR), 1.0 / (USUAL.1 * USUAL.1));
    let best = (best * power_weight + USUAL.0 * usual_weight) / (power_weight + usual_weight);
    Seeing { wavefront: best, halo_excess: 0.0, motion }
}
