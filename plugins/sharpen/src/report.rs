//! Facts that every sharpening writes into the record.

use stillair_api::{Context, Entry, Image};

use crate::deblur::limb::{self, LimbFit, Start};
use crate::deblur::plan::Plan;
use crate::setup;
use crate::wiener::target;

/// Name of a channel in facts.
pub fn channel_name(channels: usize, channel: usize) -> &'static str {
    match (channels, channel) {
        (3, 0) => "red",
        (3, 1) => "green",
        (3, 2) => "blue",
        _ => "mono",
    }
}

/// Most negative and most positive mean of `result - model` over rings one px wide from 0.85 to
/// 1.35 radii, over the disc's brightness.
pub fn limb_excess(result: &[f32], model: &[f32], width: usize, fit: &LimbFit, channel: usize) -> (f64, f64) {
    let own = &fit.channels[channel];
    let radius = fit.ellipse.radius_px;
    let (from, to) = (0.85 * radius, 1.35 * radius);
    let rings = (to - from).max(1.0) as usize + 1;
    let mut sums = vec![(0.0_f64, 0.0_f64); rings];
    for (i, (r, m)) in result.iter().zip(model).enumerate() {
        let (dx, dy) = ((i % width) as f64 - own.centre_px.0, (i / width) as f64 - own.centre_px.1);
        let rho = fit.ellipse.radius(dx, dy) * radius;
        if rho >= from && rho < to {
            let sum = &mut sums[(rho - from) as usize];
            sum.0 += f64::from(r - m);
            sum.1 += 1.0;
        }
    }
    let means = sums.iter().filter(|s| s.1 > 0.0).map(|s| s.0 / s.1 / own.brightness);
    means.fold((0.0, 0.0), |(low, high): (f64, f64), v| (low.min(v), high.max(v)))
}

/// Records what [`limb_excess`] found.
pub fn limb_facts(context: &dyn Context, name: &str, low: f64, high: f64) {
    context.record(Entry::number(
        &format!("limb-excess-{name}"),
        100.0 * high,
        "%",
        "largest mean excess on a ring about the limb over the disc's model (or over the stack), of its brightness",
    ));
    context.record(Entry::number(
        &format!("limb-deficit-{name}"),
        100.0 * low,
        "%",
        "largest mean deficit on a ring about the limb below the disc's model (or below the stack), of its brightness",
    ));
}

/// Records cut-off, seeing, limb.
pub fn plan_facts(context: &dyn Context, plan: &Plan, channels: usize) {
    if plan.cutoff_estimated {
        context.warn(
            "aperture or sampling is unknown: the telescope's cut-off is estimated from where the half-stacks stop \
             agreeing; a session file with aperture_mm, focal_mm and pixel_um gives a better picture",
        );
    }
    context.record(Entry::number(
        "wavefront-variance",
        plan.seeing.wavefront,
        "rad^2",
        "of the stack at 530 nm after tilt, as the core's share tells",
    ));
    for (c, channel) in plan.channels.iter().enumerate() {
        let name = channel_name(channels, c);
        context.record(Entry::number(
            &format!("cutoff-{name}"),
            channel.cutoff,
            "cycles/px",
            if plan.cutoff_estimated { "cut-off, estimated from the noise" } else { "cut-off of the aperture" },
        ));
        context.record(Entry::number(
            &format!("core-{name}"),
            channel.blur.core,
            "",
            "share of the light in the diffraction-limited core",
        ));
        context.record(Entry::number(&format!("halo-{name}"), channel.blur.halo, "", "strength of the halo"));
        context.record(Entry::number(&format!("jitter-{name}"), channel.blur.jitter, "", "jitter of the core"));
        if let Some(fit) = &plan.limb {
            if !fit.ringed {
                context.record(Entry::number(
                    &format!("limb-darkening-{name}"),
                    fit.channels[c].exponent,
                    "",
                    "exponent p of the disc's brightness mu^p",
                ));
            }
            context.record(Entry::number(
                &format!("disc-misfit-{name}"),
                100.0 * fit.channels[c].misfit,
                "%",
                "rms of stack less model from 0.7 to 1.3 radii, of the disc's brightness",
            ));
        }
    }
    match &plan.limb {
        Some(fit) => {
            let (equatorial, polar, _) = fit.ellipse.axes();
            context.record(Entry::number("equatorial-radius", equatorial, "px", "of the fitted limb"));
            context.record(Entry::number("polar-radius", polar, "px", "of the fitted limb, as seen"));
        }
        None => context.record(Entry::text("disc", "no spheroid was fitted; the transfer is from the picture's power")),
    }
}

/// Ring means of a picture about an ellipse, rings one px wide from 0.6 to 1.5 radii.
fn profile(picture: &[f32], width: usize, start: &Start) -> Vec<f64> {
    let radius = start.ellipse.radius_px;
    let from = 0.6 * radius;
    let mut sums = vec![(0.0_f64, 0.0_f64); (0.9 * radius).max(2.0) as usize];
    for (i, v) in picture.iter().enumerate() {
        let (dx, dy) = ((i % width) as f64 - start.centre_px.0, (i / width) as f64 - start.centre_px.1);
        let ring = start.ellipse.radius(dx, dy) * radius - from;
        if ring >= 0.0 && (ring as usize) < sums.len() {
            let sum = &mut sums[ring as usize];
            sum.0 += f64::from(*v);
            sum.1 += 1.0;
        }
    }
    sums.iter().filter(|s| s.1 > 0.0).map(|s| s.0 / s.1).collect()
}

/// What sharpening did at the limb without a model of it: the brightest rise towards the limb and
/// the deepest dip below the sky outside it, each less that of the stack, over the brightness.
fn profile_excess(before: &[f32], after: &[f32], width: usize, start: &Start) -> (f64, f64) {
    let figures = |picture: &[f32]| {
        let line = profile(picture, width, start);
        let (mut lowest, mut rise, mut dip) = (f64::INFINITY, 0.0_f64, 0.0_f64);
        let sky = line.last().copied().unwrap_or(0.0);
        for v in &line {
            rise = rise.max(v - lowest.min(*v));
            lowest = lowest.min(*v);
            dip = dip.min(v - sky);
        }
        (rise, dip, line.first().copied().unwrap_or(1.0) - sky)
    };
    let (rise0, dip0, _) = figures(before);
    let (rise1, dip1, level) = figures(after);
    ((dip1 - dip0) / level, (rise1 - rise0) / level)
}

/// Mean square over the noise's of stack less re-blurred picture inside the cut-off; the picture
/// counts as the object through a Gaussian of `fwhm` lambda/D.
pub fn reblur(plan: &Plan, c: usize, stack: &[f32], picture: &[f32], fwhm: f64) -> f64 {
    let (canvas, channel) = (&plan.canvas, &plan.channels[c]);
    let mut scratch = canvas.plan.scratch();
    let mut left = canvas.forward(stack, channel.sky, &mut scratch);
    let result = canvas.forward(picture, channel.sky, &mut scratch);
    for (((fx, fy), l), (r, m)) in canvas.frequencies().zip(&mut left).zip(result.iter().zip(&channel.transfer)) {
        *l -= r * (f64::from(*m) / target(fwhm, libm::hypot(fx, fy) / channel.cutoff)) as f32;
    }
    let power = canvas.rings.power(&left);
    let (mut chi2, mut n) = (0.0, 0.0);
    for (i, (p, count)) in power.iter().zip(canvas.rings.counts()).enumerate() {
        if canvas.rings.frequency(i) < channel.cutoff {
            chi2 += p / channel.noise[i].max(1e-300) * count;
            n += count;
        }
    }
    chi2 / f64::max(n, 1.0)
}

/// Records noise gain, limb and re-blur of a method that does not work in the frequency domain; the picture counts as the
/// object through a Gaussian of `fwhm` lambda/D.
pub fn picture_facts(
    context: &dyn Context,
    plan: &Plan,
    before: &Image,
    after: &Image,
    fwhm: f64,
    noise_gain: &dyn Fn(usize) -> f64,
) {
    let begin = limb::start(before.channel(before.channels / 2), before.width, before.height);
    for c in 0..before.channels {
        let name = channel_name(before.channels, c);
        let help = "noise of the result over noise of the stack";
        context.record(Entry::number(&format!("noise-gain-{name}"), noise_gain(c), "", help));
        context.record(Entry::number(
            &format!("reblur-{name}"),
            reblur(plan, c, before.channel(c), after.channel(c), fwhm),
            "",
            "mean square of stack less re-blurred result over the noise's, inside the cut-off; near 1 where the \
             result is the object through the Gaussian of the target",
        ));
        if let Some(fit) = &plan.limb {
            let (canvas, cutoff) = (&plan.canvas, plan.channels[c].cutoff);
            let targets = setup::targets(canvas, fwhm, cutoff);
            let object = setup::disc(plan, c);
            let model = setup::through(plan, c, object.as_deref(), targets, &mut canvas.plan.scratch());
            let (low, high) = limb_excess(after.channel(c), &model, before.width, fit, c);
            limb_facts(context, name, low, high);
        } else if let Some(begin) = &begin {
            let (low, high) = profile_excess(before.channel(c), after.channel(c), before.width, begin);
            limb_facts(context, name, low, high);
        }
    }
}

/// Noise gain of a linear filter from how far the half-stacks lie apart before and after; NaN
/// without half-stacks.
pub fn gain_of_halves(before: &Image, after: &Image, c: usize) -> f64 {
    let apart = |image: &Image| match (image.half(0, c), image.half(1, c)) {
        (Some(a), Some(b)) => a.iter().zip(b).map(|(a, b)| f64::from(a - b) * f64::from(a - b)).sum::<f64>(),
        _ => f64::NAN,
    };
    (apart(after) / apart(before)).sqrt()
}
