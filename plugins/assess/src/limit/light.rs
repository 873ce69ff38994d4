//! Noise, exposure level, clouds: how much light there was.

use stillair_api::columns;
use stillair_maths::robust::{median, percentile};

use super::blur;
use super::evidence::Evidence;
use super::factor::{Factor, Finding, light_db, tolerance_db};

/// Signal to noise at half the cut-off at which a Wiener filter leaves 0.8 of the contrast: S / (1 + S) = 0.8, S = 4.
const NEEDED_DB: f64 = 6.02;

/// Noise, with the blur taken off that others answer for.
pub fn noise(evidence: &Evidence) -> Factor {
    let name = "noise";
    let Some(snr) = evidence.snr else {
        return Factor::untold(
            name,
            "signal to noise was not measured: it takes half-stacks of two frames or more, aperture and scale",
        );
    };
    let blur_db = blur::whole_db(evidence);
    let cost = (NEEDED_DB - snr.middle_db - blur_db).max(0.0);
    let times = libm::pow(10.0, cost / 10.0);
    let says = if cost > 0.0 {
        format!("noise hides detail: {:.1} dB at half the cut-off, {NEEDED_DB:.0} are needed", snr.middle_db)
    } else if snr.middle_db < NEEDED_DB {
        format!("{:.1} dB at half the cut-off; without the blur of {blur_db:.1} dB it would be enough", snr.middle_db)
    } else {
        format!("{:.1} dB at half the cut-off are enough", snr.middle_db)
    };
    let mut advice = String::new();
    if cost > 0.0 {
        advice = format!("{times:.1} times as many frames of this kind, or more light in each");
        if let (Some(exposure), Some(interval)) = (evidence.exposure_s(), evidence.interval_s())
            && exposure < 0.5 * interval
        {
            advice.push_str(&format!(
                "; the shutter is open {:.0} % of the time: a smaller window may give more frames a second",
                100.0 * exposure / interval
            ));
        }
    }
    Factor::told(
        name,
        Finding {
            value: snr.middle_db,
            unit: "dB",
            threshold: NEEDED_DB,
            beyond: cost > tolerance_db(),
            cost_db: cost,
            says,
            advice,
        },
    )
}

/// How much of the converter's range the target fills.
pub fn exposure_level(evidence: &Evidence) -> Factor {
    /// Share of clipped pixels that is no harm (common practice, no source).
    const CLIPPED: f64 = 0.01;
    /// Top of the target below which part of the range is unused (common practice, no source).
    const LOW: f64 = 0.4;
    let name = "exposure-level";
    let (Some(peak), Some(clipped)) = (evidence.column(columns::PEAK), evidence.column(columns::CLIPPED)) else {
        return Factor::untold(name, "the target's brightness was not measured");
    };
    let background = evidence.column(columns::BACKGROUND).map_or(0.0, |b| median(&b));
    let top = percentile(&peak, 90.0) + background;
    let lost = median(&clipped);
    let electrons = evidence
        .number("electrons-at-white")
        .map_or_else(String::new, |white| format!(", about {:.0} electrons a pixel", white * percentile(&peak, 90.0)));
    if lost > CLIPPED {
        return Factor::told(
            name,
            Finding {
                value: 100.0 * lost,
                unit: "% of the target",
                threshold: 100.0 * CLIPPED,
                beyond: true,
                cost_db: -20.0 * libm::log10((1.0 - lost).max(1e-3)),
                says: format!("{:.0} % of the target is burnt out", 100.0 * lost),
                advice: "less gain or a shorter exposure, so that the brightest part stays below the top".into(),
            },
        );
    }
    // Rounding to steps adds a twelfth of a step squared to the noise of a pixel of half the peak (Janesick 2007).
    let step = evidence.number("bits").map(|bits| 1.0 / (libm::exp2(bits) - 1.0));
    let rounding = match (step, evidence.number("electrons-at-white"), evidence.number("read-noise")) {
        (Some(step), Some(white), Some(read)) => {
            let own = 0.5 * median(&peak) / white + (read / white) * (read / white);
            light_db(1.0 / (1.0 + step * step / 12.0 / own.max(1e-12)))
        }
        _ => 0.0,
    };
    let low = top < LOW;
    let says = format!(
        "the target fills {:.0} % of the range{electrons}{}",
        100.0 * top,
        if low { ": part of it is unused" } else { "" }
    );
    Factor::told(
        name,
        Finding {
            value: 100.0 * top,
            unit: "% of the range",
            threshold: 100.0 * LOW,
            beyond: low && rounding > tolerance_db(),
            cost_db: if low { rounding } else { 0.0 },
            says,
            advice: match low {
                true if rounding > 0.5 => "more gain: rounding to steps adds noise".into(),
                true => "more gain would bring nothing but a smaller risk of rounding; a longer exposure brings light"
                    .into(),
                false => String::new(),
            },
        },
    )
}

/// Light that clouds took.
pub fn clouds(evidence: &Evidence) -> Factor {
    /// Share of the light that may be lost (common practice, no source): one dB.
    const LOST: f64 = 0.2;
    let name = "clouds";
    let clear = evidence.table.as_ref().and_then(|t| t.values(columns::TRANSPARENCY));
    let (Some(clear), Some(reasons)) = (clear, evidence.reasons()) else {
        return Factor::untold(name, "the target's light was not followed over time");
    };
    let (mut light, mut frames, mut out) = (0.0, 0.0, 0);
    for (t, reason) in clear.iter().zip(reasons) {
        let clouded = reason == "clouded";
        if clouded || (reason.is_empty() && t.is_finite()) {
            frames += 1.0;
            light += if clouded { 0.0 } else { t.min(1.0) };
            out += usize::from(clouded);
        }
    }
    if frames == 0.0 {
        return Factor::untold(name, "no frame shows how bright the target is");
    }
    let lost = 1.0 - light / frames;
    Factor::told(
        name,
        Finding {
            value: 100.0 * lost,
            unit: "% of the light",
            threshold: 100.0 * LOST,
            beyond: lost > LOST,
            cost_db: light_db(1.0 - lost),
            says: if lost > LOST {
                format!("clouds took {:.0} % of the light; {out} frames were left out for them", 100.0 * lost)
            } else {
                format!("the sky was clear for {:.0} % of the light", 100.0 * (1.0 - lost))
            },
            advice: if lost > LOST { "wait for a gap, or take a longer clip".into() } else { String::new() },
        },
    )
}
