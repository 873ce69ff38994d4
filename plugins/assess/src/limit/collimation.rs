//! Collimation and tilt: a point spread that is lopsided, told from the limb of a full disc.

use std::f64::consts::TAU;
use std::str::FromStr;

use stillair_sky::{Body, Observer, Sky};

use super::blur;
use super::evidence::Evidence;
use super::factor::{Factor, Finding, tolerance_db};
use super::lopsided::{Lopsided, words};

/// Light to one side, brightness inside the limb times lambda/D, that coma of 0.05 waves rms makes and that nothing
/// else does ([`super::lopsided`]): between what Marechal's limit makes, 0.042, and the most that clean simulated discs
/// and a phase show, 0.016.
const LIGHT: f64 = 0.03;
/// It must be so many standard deviations (for 48 directions chance makes 4 once in 3000 clips).
const SIGMAS: f64 = 4.0;
/// Light to one side for a wave rms of coma, where it is weak.
const LIGHT_PER_WAVE: f64 = 0.6;
/// Largest phase at which the terminator is as good as a limb, degrees.
const PHASE_DEG: f64 = 12.0;
/// Share of the target that may be burnt out: a burnt limb is no edge.
const CLIPPED: f64 = 0.01;

/// Why the limb does not tell, or how lopsided it is.
fn judged(evidence: &Evidence) -> Result<Lopsided, String> {
    let name = evidence.facts.text("target.name").map(str::to_lowercase);
    let body = name.as_deref().and_then(|n| Body::from_str(n).ok());
    match body {
        None => return Err("the target is not named: the limb of a planet would show it".into()),
        Some(Body::Saturn) => return Err("the rings hide the limb: look at a star, a little out of focus".into()),
        Some(Body::Moon) => {
            return Err("there is no round limb: look at a star, a little out of focus".into());
        }
        // Never more than 12 degrees from full.
        Some(Body::Jupiter | Body::Uranus | Body::Neptune) => {}
        Some(body) => {
            let utc = evidence.middle_unix_ns.and_then(|ns| jiff::Timestamp::from_nanosecond(i128::from(ns)).ok());
            let sky = utc.and_then(|utc| Sky::at(utc, Observer::Geocentre).ok());
            let phase_deg = sky.map(|sky| sky.disc(body).phase_angle_deg);
            match phase_deg {
                Some(phase_deg) if phase_deg <= PHASE_DEG => {}
                Some(phase_deg) => {
                    return Err(format!(
                        "a phase of {phase_deg:.0} degrees makes the limb lopsided by itself: look at a star"
                    ));
                }
                None => return Err("the frames have no times, so that the planet's phase is not known".into()),
            }
        }
    }
    if evidence.column(stillair_api::columns::CLIPPED).is_some_and(|c| stillair_maths::robust::median(&c) > CLIPPED) {
        return Err("the target is burnt out: its limb does not show it".into());
    }
    if super::sky::dispersion(evidence).beyond() {
        return Err("the air spreads colours, which can be lopsided, too: look at a star higher up".into());
    }
    evidence.lopsided.ok_or_else(|| {
        "no disc with sky all round, of 8 lambda/D or more in radius: look at a star, a little out of focus".into()
    })
}

/// Whether the limb shows a lopsided point spread.
pub fn is_lopsided(evidence: &Evidence) -> bool {
    judged(evidence).is_ok_and(|told| told.amplitude > LIGHT && told.amplitude > SIGMAS * told.sigma)
}

/// Collimation and tilt.
pub fn collimation(evidence: &Evidence) -> Factor {
    let name = "collimation";
    let told = match judged(evidence) {
        Ok(told) => told,
        Err(why) => return Factor::untold(name, why),
    };
    let lopsided = is_lopsided(evidence);
    // At least what so much light to one side takes; all that every frame has where that is more.
    let coma_rad2 = (TAU * told.amplitude / LIGHT_PER_WAVE).powi(2);
    let rest = if lopsided { blur::in_every_frame(evidence).unwrap_or(0.0).max(coma_rad2) } else { 0.0 };
    let cost = blur::wavefront_db(rest);
    let share = 100.0 * told.amplitude;
    let says = if lopsided {
        format!(
            "light is spread towards the {} of the picture, beyond the limb on that side",
            words(told.direction_rad)
        )
    } else {
        "the limb is as sharp on one side as on the other".into()
    };
    Factor::told(
        name,
        Finding {
            value: share,
            unit: "% of the limb's light, times lambda/D, to one side",
            threshold: 100.0 * LIGHT,
            beyond: lopsided && cost > tolerance_db(),
            cost_db: cost,
            says,
            advice: if lopsided {
                "collimate on a star near the target; look for a tilted corrector or camera, too".into()
            } else {
                String::new()
            },
        },
    )
}
