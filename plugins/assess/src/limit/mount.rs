//! Tracking, lost frames and the window: what mount and recording did.

use stillair_api::columns;
use stillair_maths::mtf;

use super::evidence::Evidence;
use super::factor::{Factor, Finding, cost_db, light_db};

/// Share of the frames that may be lost (common practice, no source).
const LOST: f64 = 0.05;
/// Drift during an exposure that is no harm, px: leaves 0.99 of the contrast at half of Nyquist.
const SMEAR_PX: f64 = 0.25;
/// Turn of the field that is worth telling, degrees: the noise of its measure is less (own simulation).
const TURN_DEG: f64 = 0.1;
/// Turn of the sky, arcsec per minute.
const SIDEREAL_ARCSEC_PER_MIN: f64 = 902.46;

/// Drift and periodic error from the track of the target.
pub fn tracking(evidence: &Evidence) -> Factor {
    let name = "tracking";
    let Some(track) = Track::of(evidence) else {
        return Factor::untold(name, "the target's place was not followed, or the frames have no times");
    };
    // A frame too small for the target cuts it however well it is followed.
    let cut = if is_tight(evidence) { 0.0 } else { cut_share(evidence) };
    let smear_px = track.rate_px_per_s * evidence.exposure_s().unwrap_or(0.0);
    let at_half = evidence.q.map_or(1.0, |q| mtf::pixel((0.5 / q * smear_px).min(0.999)));
    let in_units = |px: f64, per: &str| match evidence.arcsec_per_px {
        Some(scale) => format!("{:.1} arcsec{per}", px * scale),
        None => format!("{px:.1} px{per}"),
    };
    let mut says = format!(
        "the target drifted by {} and swung by {} about that",
        in_units(60.0 * track.rate_px_per_s, " a minute"),
        in_units(track.swing_px, "")
    );
    if let Some(turn) = evidence.turn_deg.filter(|t| *t > TURN_DEG) {
        says.push_str(&format!("; the field turned by {turn:.2} degrees, which was undone"));
    }
    if cut > LOST {
        says.push_str(&format!("; {:.0} % of the frames show it cut off or not at all", 100.0 * cut));
    }
    let beyond = cut > LOST || smear_px > SMEAR_PX;
    let mut advice = String::new();
    if beyond {
        advice.push_str("follow the target more closely, or leave more room about it");
        let equatorial = evidence.facts.text("mount.kind").is_none_or(|k| k == "equatorial");
        if let (Some(scale), true) = (evidence.arcsec_per_px, equatorial) {
            // A polar axis off by an angle a makes a star drift by at most (turn of the sky) x a.
            let off_deg = (60.0 * track.rate_px_per_s * scale / SIDEREAL_ARCSEC_PER_MIN).to_degrees();
            if off_deg < 20.0 {
                advice.push_str(&format!("; if the polar axis is to blame it is off by {off_deg:.1} degrees or more"));
            }
        }
    }
    Factor::told(
        name,
        Finding {
            value: if smear_px > SMEAR_PX && cut <= LOST { smear_px } else { 100.0 * cut },
            unit: if smear_px > SMEAR_PX && cut <= LOST { "px in an exposure" } else { "% of the frames lost" },
            threshold: if smear_px > SMEAR_PX && cut <= LOST { SMEAR_PX } else { 100.0 * LOST },
            beyond,
            cost_db: light_db(1.0 - cut) + cost_db(at_half),
            says,
            advice,
        },
    )
}

/// Share of the frames that do not show the whole target.
fn cut_share(evidence: &Evidence) -> f64 {
    evidence.reasons().map_or(0.0, |r| {
        r.iter().filter(|w| **w == "cut off" || **w == "no target").count() as f64 / r.len().max(1) as f64
    })
}

struct Track {
    rate_px_per_s: f64,
    swing_px: f64,
}

impl Track {
    /// Straight line through the places of frames that show the whole target, and the rms of one-second means about it.
    fn of(evidence: &Evidence) -> Option<Self> {
        let table = evidence.table.as_ref()?;
        let times = table.values(columns::TIME_S)?;
        let reasons = evidence.reasons();
        let mut rate2 = 0.0;
        let mut swing2 = 0.0;
        for name in [columns::X_PX, columns::Y_PX] {
            let values = table.values(name)?;
            let kept = |i: &usize| {
                times[*i].is_finite() && values[*i].is_finite() && reasons.as_ref().is_none_or(|r| r[*i].is_empty())
            };
            let points: Vec<(f64, f64)> = (0..table.rows()).filter(kept).map(|i| (times[i], values[i])).collect();
            if points.len() < 10 {
                return None;
            }
            let n = points.len() as f64;
            let (mt, mv) = points.iter().fold((0.0, 0.0), |m, p| (m.0 + p.0 / n, m.1 + p.1 / n));
            let (cross, square) =
                points.iter().fold((0.0, 0.0), |s, p| (s.0 + (p.0 - mt) * (p.1 - mv), s.1 + (p.0 - mt) * (p.0 - mt)));
            if square <= 0.0 {
                return None;
            }
            let slope = cross / square;
            rate2 += slope * slope;
            // Means over seconds, so that the air's motion drops out.
            let mut seconds: std::collections::BTreeMap<i64, (f64, f64)> = std::collections::BTreeMap::new();
            for (t, v) in &points {
                let mean = seconds.entry(libm::floor(*t) as i64).or_default();
                mean.0 += v - mv - slope * (t - mt);
                mean.1 += 1.0;
            }
            swing2 += seconds.values().map(|(sum, k)| (sum / k) * (sum / k)).sum::<f64>() / seconds.len() as f64;
        }
        Some(Self { rate_px_per_s: rate2.sqrt(), swing_px: swing2.sqrt() })
    }
}

/// Gaps in the times of the frames.
pub fn lost_frames(evidence: &Evidence) -> Factor {
    let name = "lost-frames";
    if matches!(evidence.text("times"), Some("rate" | "absent")) {
        return Factor::untold(name, "the file has no time for each frame, so that gaps do not show");
    }
    let (Some(times), Some(interval)) = (evidence.times(), evidence.interval_s()) else {
        return Factor::untold(name, "the frames have no times");
    };
    let missing: f64 = times.windows(2).map(|t| (libm::round((t[1] - t[0]) / interval) - 1.0).max(0.0)).sum();
    let share = missing / (missing + times.len() as f64);
    Factor::told(
        name,
        Finding {
            value: 100.0 * share,
            unit: "% of the frames",
            threshold: 100.0 * LOST,
            beyond: share > LOST,
            cost_db: light_db(1.0 - share),
            says: if missing > 0.0 {
                let are = if missing > 1.0 { "frames are" } else { "frame is" };
                format!("{missing:.0} {are} missing between the others ({:.1} %)", 100.0 * share)
            } else {
                "no frame is missing between the others".into()
            },
            advice: if share > LOST { "a faster disk, a smaller window or fewer bits".into() } else { String::new() },
        },
    )
}

/// Sides of the frame over the target's, below which a drift soon cuts it, and above which most is sky (common
/// practice, no source).
const ROOM: (f64, f64) = (1.15, 4.0);

/// The frame's shorter side over the target's size.
fn room(evidence: &Evidence) -> Option<f64> {
    let side = evidence.number("frame-width").zip(evidence.number("frame-height")).map(|(w, h)| w.min(h));
    Some(side? / (2.0 * evidence.radius_px()?))
}

fn is_tight(evidence: &Evidence) -> bool {
    room(evidence).is_some_and(|room| room < ROOM.0)
}

/// The frame's size against the target's.
pub fn window(evidence: &Evidence) -> Factor {
    let name = "window";
    let Some(ratio) = room(evidence) else {
        return Factor::untold(name, "the frame's or the target's size is not known");
    };
    let cut = if is_tight(evidence) { cut_share(evidence) } else { 0.0 };
    let (says, advice) = if ratio < ROOM.0 {
        let lost =
            if cut > LOST { format!("; {:.0} % of the frames show it cut off", 100.0 * cut) } else { String::new() };
        (format!("the frame is only {ratio:.2} times the target's size{lost}"), "a larger window".to_string())
    } else if ratio > ROOM.1 {
        (
            format!("the frame is {ratio:.1} times the target's size: most of it is sky"),
            "a smaller window is read faster, where the exposure allows".to_string(),
        )
    } else {
        (format!("the frame is {ratio:.1} times the target's size"), String::new())
    };
    Factor::told(
        name,
        Finding {
            value: ratio,
            unit: "times the target",
            threshold: ROOM.0,
            beyond: cut > LOST,
            cost_db: light_db(1.0 - cut),
            says,
            advice,
        },
    )
}
