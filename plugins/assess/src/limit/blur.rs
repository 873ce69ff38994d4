//! Seeing, focus and exposure time: what blurs, told apart by how the frames move.
//!
//! The wavefront's variance W of the stack (from the light about the target) leaves `exp(-W)` of the contrast at middle
//! frequencies (Marechal). Turbulence that does this also moves the image: along each axis by
//! `0.170 (D/r0)^(5/3) (lambda/D)^2` (tilt of Kolmogorov turbulence), while what is left of the wavefront after tilt is
//! `0.134 (D/r0)^(5/3) rad^2` (Noll 1976, J. Opt. Soc. Am. 66, 207). Blur that the motion does not account for is
//! there in every frame: focus, or motion averaged by an exposure longer than the air stands still. A shaking mount moves the image too,
//! so that poor focus can hide behind it, never the other way round.

use super::evidence::Evidence;
use super::factor::{Factor, Finding, cost_db, tolerance_db};

/// Image motion along an axis for `(D/r0)^(5/3) = 1`, `(lambda/D)^2`.
const TILT: f64 = 0.170;
/// Wavefront variance after tilt for `(D/r0)^(5/3) = 1`, rad^2 (Noll 1976, table IV).
const REST: f64 = 0.134;
/// Share of the motion's variance that is left when what is slower than 3 s is taken off (own simulation: winds of 4 to
/// 25 m/s over 105 mm, D/r0 from 0.9 to 4.5, within a tenth).
const FAST: f64 = 0.57;
/// How far measured blur may exceed what the motion accounts for (own simulation: at most 1.4 times plus 0.1 rad^2 on
/// clips in focus, above 2.9 times on clips 0.2 waves rms out of it).
const EXCESS: (f64, f64) = (1.6, 0.15);
/// Wavelength of W, nm.
const W_NM: f64 = 530.0;
/// Wind that is taken for the time in which the air stands still, m/s (typical; Roddier 1981, Progress in Optics 19).
const WIND_M_PER_S: f64 = 10.0;
/// Exposures of more than so many times aperture over wind average the image's motion.
const LONG: f64 = 3.0;

/// What blur there is and what the motion accounts for, rad^2 at 530 nm.
#[derive(Debug, Clone, Copy)]
struct Blur {
    whole: Option<f64>,
    by_motion: Option<f64>,
}

fn blur(evidence: &Evidence) -> Blur {
    let by_motion = match (evidence.motion_px2, evidence.q) {
        (Some(motion_px2), Some(q)) => {
            let motion = motion_px2 / (q * q) * (evidence.wavelength_nm / W_NM).powi(2);
            Some(motion / (TILT * FAST) * REST)
        }
        _ => None,
    };
    Blur { whole: evidence.wavefront_rad2, by_motion }
}

impl Blur {
    /// What the motion does not account for, rad^2; 0 within the tolerance.
    fn unexplained(self) -> f64 {
        match (self.whole, self.by_motion) {
            (Some(whole), Some(by_motion)) if whole > EXCESS.0 * by_motion + EXCESS.1 => whole - by_motion,
            _ => 0.0,
        }
    }
}

fn d_over_r0(rest_rad2: f64) -> f64 {
    libm::pow(rest_rad2.max(0.0) / REST, 0.6)
}

/// Cost of a wavefront variance, dB.
pub fn wavefront_db(rad2: f64) -> f64 {
    cost_db(libm::exp(-rad2.max(0.0)))
}

/// Blur of seeing, focus and motion together, dB; 0 where unknown.
pub fn whole_db(evidence: &Evidence) -> f64 {
    evidence.wavefront_rad2.map_or(0.0, wavefront_db)
}

/// Turbulence.
pub fn seeing(evidence: &Evidence) -> Factor {
    let name = "seeing";
    let blur = blur(evidence);
    let (rest, by) = match (blur.whole, blur.by_motion) {
        (Some(whole), Some(by_motion)) if blur.unexplained() > 0.0 => {
            (by_motion.min(whole), "as the image's motion tells")
        }
        (Some(whole), Some(_)) => (whole, "as the stack's blur and the image's motion tell"),
        (Some(whole), None) => (whole, "as the stack's blur tells"),
        (None, Some(by_motion)) => {
            (by_motion, "at least, as the image's motion tells (a wide field averages some of it)")
        }
        (None, None) => {
            return Factor::untold(
                name,
                "neither blur nor motion could be measured in units of the telescope: give aperture_mm, focal_mm and \
                 pixel_um, and leave sky about the target",
            );
        }
    };
    let ratio = d_over_r0(rest);
    let cost = wavefront_db(rest);
    let says = match evidence.aperture_m {
        Some(d) => format!(
            "the air holds together over {:.0} mm, the aperture is {ratio:.1} times as wide, {by}",
            1e3 * d / ratio.max(1e-3)
        ),
        None => format!("the aperture is {ratio:.1} times as wide as the air holds together, {by}"),
    };
    Factor::told(
        name,
        Finding {
            value: ratio,
            unit: "D/r0",
            threshold: d_over_r0(-libm::log(super::factor::LEFT)),
            beyond: cost > tolerance_db(),
            cost_db: cost,
            says,
            advice:
                "wait for steadier air or a higher target, look into redder light, take a longer clip and keep less \
                     of it"
                    .into(),
        },
    )
}

/// Blur that every frame has, rad^2; nothing where it cannot be told from that of the air.
pub fn in_every_frame(evidence: &Evidence) -> Option<f64> {
    let blur = blur(evidence);
    (blur.whole.is_some() && blur.by_motion.is_some() && !is_long(evidence)).then(|| blur.unexplained())
}

/// Focus: blur that every frame has, and that is the same on all sides.
pub fn focus(evidence: &Evidence) -> Factor {
    let name = "focus";
    let blur = blur(evidence);
    let (Some(whole), Some(by_motion)) = (blur.whole, blur.by_motion) else {
        return Factor::untold(
            name,
            "blur and image motion cannot both be measured, so that poor focus cannot be told from poor air",
        );
    };
    if is_long(evidence) {
        return Factor::untold(name, "exposures are so long that poor focus cannot be told from motion of the air");
    }
    let lopsided = super::collimation::is_lopsided(evidence);
    let rest = if lopsided { 0.0 } else { blur.unexplained() };
    let cost = wavefront_db(rest);
    let share = whole / by_motion.max(1e-6);
    let says = if lopsided && blur.unexplained() > 0.0 {
        format!(
            "every frame is soft, {share:.1} times what the image's motion accounts for, but to one side: collimation"
        )
    } else if rest > 0.0 {
        format!("every frame is soft: the blur is {share:.1} times what the image's motion accounts for")
    } else {
        format!("the image's motion accounts for the blur ({share:.1} times)")
    };
    Factor::told(
        name,
        Finding {
            value: share,
            unit: "times the blur that the motion accounts for",
            threshold: EXCESS.0 + EXCESS.1 / by_motion.max(1e-6),
            beyond: cost > tolerance_db(),
            cost_db: cost,
            says,
            advice: "focus again, let the telescope cool down, check the collimation on a star".into(),
        },
    )
}

/// Aperture over wind, s.
fn still_s(evidence: &Evidence) -> Option<f64> {
    evidence.aperture_m.map(|d| d / WIND_M_PER_S)
}

fn is_long(evidence: &Evidence) -> bool {
    matches!((evidence.exposure_s(), still_s(evidence)), (Some(e), Some(still)) if e > LONG * still)
}

/// Exposure time against the air's and the image's motion.
pub fn exposure_time(evidence: &Evidence) -> Factor {
    let name = "exposure-time";
    let (Some(exposure), Some(still)) = (evidence.exposure_s(), still_s(evidence)) else {
        return Factor::untold(name, "the exposure or the aperture is not known: give exposure_s and aperture_mm");
    };
    let long = exposure > LONG * still;
    // What the motion lacks against what turbulence of this blur makes was averaged while the shutter was open.
    let averaged = match blur(evidence) {
        Blur { whole: Some(whole), by_motion: Some(by_motion) } if long => {
            (whole - by_motion).max(0.0) / REST * TILT * FAST
        }
        _ => 0.0,
    };
    let cost = cost_db(stillair_maths::mtf::jitter(0.5, averaged.sqrt()));
    let ms = 1e3 * exposure;
    let says = if long {
        format!(
            "exposures of {ms:.0} ms average the image's motion (air at 10 m/s crosses the aperture in {:.0} ms)",
            1e3 * still
        )
    } else {
        format!(
            "exposures of {ms:.0} ms freeze the image's motion (air at 10 m/s crosses the aperture in {:.0} ms)",
            1e3 * still
        )
    };
    Factor::told(
        name,
        Finding {
            value: exposure / still,
            unit: "times aperture over wind",
            threshold: LONG,
            beyond: long && cost > tolerance_db(),
            cost_db: cost,
            says,
            advice: if long { "a shorter exposure at a higher gain, and more frames".into() } else { String::new() },
        },
    )
}

/// Pixels against the telescope.
pub fn sampling(evidence: &Evidence) -> Factor {
    /// Frequency, of the cut-off, at which the pixel's own blur is judged.
    const FINE: f64 = 0.7;
    /// Pixels per lambda/D beyond which nothing is gained (own simulation and common practice).
    const COARSE: f64 = 3.5;
    let name = "sampling";
    let Some(q) = evidence.q else {
        return Factor::untold(name, "aperture or scale is not known: give aperture_mm, focal_mm and pixel_um");
    };
    let u = FINE / q;
    // Beyond one cycle a pixel nothing is left but aliases.
    let cost = if u >= 1.0 { cost_db(0.0) } else { cost_db(stillair_maths::mtf::pixel(u)) };
    let least = 1.93;
    let (says, advice) = if q < least {
        (
            format!(
                "the pixels are coarse: {q:.2} px per lambda/D leave {:.0} % of the contrast at {FINE} of the cut-off",
                100.0 * libm::pow(10.0, -cost / 20.0)
            ),
            format!("a focal length {:.1} times as long, or smaller pixels, up to 2.5 px per lambda/D", 2.5 / q),
        )
    } else if q > COARSE {
        (
            format!("{q:.2} px per lambda/D are finer than is of use; the detail does not suffer"),
            "a shorter focal length or binning gives each pixel more light".into(),
        )
    } else {
        (format!("{q:.2} px per lambda/D suit the telescope"), String::new())
    };
    Factor::told(
        name,
        Finding {
            value: q,
            unit: "px per lambda/D",
            threshold: least,
            beyond: cost > tolerance_db(),
            cost_db: cost,
            says,
            advice,
        },
    )
}
