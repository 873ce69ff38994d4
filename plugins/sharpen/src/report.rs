//! Facts that every sharpening writes into the record.

use stillair_api::{Context, Entry};

use crate::deblur::limb::LimbFit;
use crate::deblur::plan::Plan;

/// Name of a channel in facts.
pub fn channel_name(channels: usize, channel: usize) -> &'static str {
    match (channels, channel) {
        (3, 0) => "red",
        (3, 1) => "green",
        (3, 2) => "blue",
        _ => "mono",
    }
}

/// Most negative and most positive mean of `result - model` over rings one px wide from 0.75 to
/// 1.35 radii, over the disc's brightness.
pub fn limb_excess(result: &[f32], model: &[f32], width: usize, fit: &LimbFit, channel: usize) -> (f64, f64) {
    let own = &fit.channels[channel];
    let radius = fit.ellipse.radius_px;
    let (from, to) = (0.75 * radius, 1.35 * radius);
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
        "largest mean excess over the blurred disc's model on a ring about the limb, of the disc's brightness",
    ));
    context.record(Entry::number(
        &format!("limb-deficit-{name}"),
        100.0 * low,
        "%",
        "largest mean deficit below the blurred disc's model on a ring about the limb, of the disc's brightness",
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
        if let Some(fit) = &plan.limb {
            context.record(Entry::number(
                &format!("limb-darkening-{name}"),
                fit.channels[c].exponent,
                "",
                "exponent p of the disc's brightness mu^p",
            ));
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
