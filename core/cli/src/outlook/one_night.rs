//! One night as a table: when each target is up, and what it is like at its best.

use std::fmt::Write as _;

use jiff::Timestamp;
use stillair_sky::outlook::{ClipLimit, Darkness, Night, Outlook, TargetNight};
use stillair_sky::seeing::FreezeVerdict;
use stillair_sky::{Body, EventKind};

use super::words::{assumed, cautions, clock, gear, length, number, wrapped};

/// The night in words.
pub fn text(got: &Outlook, night: &Night, local_minus_utc_s: Option<i32>) -> String {
    let mut text = heading(got, night);
    text.push('\n');
    text.push_str(&when(night, "UTC", 0));
    if let Some(offset_s) = local_minus_utc_s {
        let sign = if offset_s < 0 { '-' } else { '+' };
        let zone = format!("UTC{sign}{:02}:{:02}", offset_s.abs() / 3600, offset_s.abs() / 60 % 60);
        text.push('\n');
        text.push_str(&when(night, &zone, offset_s));
    }
    text.push('\n');
    text.push_str(&at_best(got, night));
    text.push('\n');
    text.push_str(&gear(got));
    text.push_str(&assumed(&got.request));
    let found = night.targets.iter().flat_map(|t| t.cautions.iter().map(|c| (Some(t.body), c)));
    text.push('\n');
    text.push_str(&cautions(found.chain(got.cautions.iter().map(|c| (None, c)))));
    text
}

fn heading(got: &Outlook, night: &Night) -> String {
    let limit_deg = -got.request.sun_limit_deg;
    let evening = night.midnight.checked_sub(jiff::SignedDuration::from_hours(12)).unwrap_or(night.midnight);
    let morning = night.midnight.checked_add(jiff::SignedDuration::from_hours(12)).unwrap_or(night.midnight);
    let mut text = format!("Night of {} to {}, ", evening.strftime("%Y-%m-%d"), morning.strftime("%Y-%m-%d"));
    let event = |time: Option<Timestamp>, words: &str| time.map(|t| format!("{words} {}", clock(t, 0)));
    let sun: Vec<String> = [
        event(night.sunset, "sets"),
        event(night.dusk, &format!("{limit_deg} deg down")),
        event(night.dawn, "up to there again"),
        event(night.sunrise, "rises"),
    ]
    .into_iter()
    .flatten()
    .collect();
    match night.darkness {
        Darkness::Dark => {}
        Darkness::NeverDark => {
            let _ = write!(text, "which does not get dark: the Sun stays above -{limit_deg} deg. ");
        }
        Darkness::AlwaysDark => {
            let _ = write!(text, "which is dark from noon to noon: the Sun stays below -{limit_deg} deg. ");
        }
    }
    if !sun.is_empty() {
        let _ = write!(text, "the Sun {} UTC.", sun.join(", "));
    }
    wrapped(&text, 2)
}

/// Risings, transits, settings, and when it is worth working.
fn when(night: &Night, zone: &str, offset_s: i32) -> String {
    let mut text = format!(
        "{:<9} {:>5} {:>7} {:>5}   {:<26} {:>5} {:>8} {:>7} {:>7}\n",
        "target", "rises", "transit", "sets", "high in the dark", "best", "altitude", "azimuth", "airmass"
    );
    let _ = writeln!(text, "{zone:<46}{:>14} {:>8} {:>7}", "", "deg", "deg");
    for target in &night.targets {
        let event = |kind: EventKind| {
            let time = target.events.iter().find(|event| event.kind == kind).map(|event| event.utc);
            time.map_or_else(|| "-".into(), |t| clock(t, offset_s))
        };
        let spans: Vec<String> =
            target.windows.iter().map(|w| format!("{}-{}", clock(w.start, offset_s), clock(w.end, offset_s))).collect();
        let (best, altitude, azimuth, airmass) = match &target.best {
            Some(best) => (
                clock(best.utc, offset_s),
                format!("{:.0}", best.horizon.altitude_deg),
                format!("{:.0}", best.horizon.azimuth_deg),
                number(best.horizon.airmass, 2),
            ),
            None => ("-".into(), "-".into(), "-".into(), "-".into()),
        };
        let spans = if spans.is_empty() { why_not(night, target) } else { spans.join(", ") };
        let _ = writeln!(
            text,
            "{:<9} {:>5} {:>7} {:>5}   {spans:<26} {best:>5} {altitude:>8} {azimuth:>7} {airmass:>7}",
            target.body,
            event(EventKind::Rise),
            event(EventKind::Transit),
            event(EventKind::Set),
        );
    }
    text
}

fn why_not(night: &Night, target: &TargetNight) -> String {
    if night.darkness == Darkness::NeverDark {
        "no: it does not get dark".into()
    } else if target.elongation_deg < 20.0 && target.body != Body::Moon {
        format!("no: {:.0} deg from the Sun", target.elongation_deg)
    } else {
        "no: too low while dark".into()
    }
}

/// Disc, meridians, air and clip at the best moment.
fn at_best(got: &Outlook, night: &Night) -> String {
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{:<9} {:>6} {:>5} {:>4} {:>5} {:>4} {:>4} {:>4} {:>6} {:>4} {:>7} {:>5} {:>6} {:>6} {:>7}",
        "at best",
        "disc",
        "disc",
        "lit",
        "tilt",
        "CM I",
        "II",
        "III",
        "spread",
        "D/r0",
        "clip up",
        "smear",
        "frozen",
        "yours",
        "window"
    );
    let _ = writeln!(
        text,
        "{:<9} {:>6} {:>5} {:>4} {:>5} {:>4} {:>4} {:>4} {:>6} {:>4} {:>7} {:>5} {:>6} {:>6} {:>7}",
        "", "arcsec", "px", "%", "deg", "deg", "deg", "deg", "arcsec", "", "to", "px", "ms", "", "px"
    );
    for target in &night.targets {
        let Some(best) = &target.best else { continue };
        let disc = &best.disc;
        // Bodies with one system only stand in the last column; the Moon's face does not turn.
        let prime_deg = (target.body != Body::Moon).then_some(disc.sub_observer.longitude_deg);
        let field = if best.clip_limit == Some(ClipLimit::FieldRotation) { "*" } else { "" };
        let frozen = match best.freeze.map(|freeze| freeze.verdict) {
            None => "-",
            Some(FreezeVerdict::Frozen) => "frozen",
            Some(FreezeVerdict::Partly) => "partly",
            Some(FreezeVerdict::Blurred) => "long",
        };
        let tilt_deg = disc.rings.map_or(disc.sub_observer.planetocentric_lat_deg, |rings| rings.tilt_deg);
        let _ = writeln!(
            text,
            "{:<9} {:>6.1} {:>5} {:>4.0} {tilt_deg:>+5.1} {:>4} {:>4} {:>4} {:>6.2} {:>4} {:>7} {:>5} {:>6.1} {frozen:>6} {:>7}",
            target.body,
            disc.equatorial_diameter_arcsec,
            number(best.disc_px, 0),
            disc.illuminated_fraction * 100.0,
            number(disc.central_meridian_i_deg, 0),
            number(disc.central_meridian_ii_deg, 0),
            number(prime_deg, 0),
            best.dispersion_arcsec,
            number(best.d_over_r0, 1),
            length(best.longest_clip_s) + field,
            number(best.smear_px, 2),
            best.longest_frozen_exposure_ms,
            best.window_px.map_or_else(|| "-".into(), |px| px.to_string()),
        );
    }
    if night.targets.iter().all(|target| target.best.is_none()) {
        text = "Nothing asked for is high in the dark.\n".into();
        return text;
    }
    let notes = format!(
        "tilt: latitude of the disc's middle, for Saturn the opening of the rings; CM: central meridian (III: the only \
         system of most bodies); spread: colours drawn apart by the air; clip up to: before rotation moves detail by \
         {} px{}; smear: in {:.0} s; frozen: longest exposure that freezes the seeing, and whether yours does; window: \
         holds the disc and its drift.",
        got.request.allowed_smear_px,
        if night.targets.iter().any(|t| t.best.as_ref().is_some_and(|b| b.clip_limit == Some(ClipLimit::FieldRotation)))
        {
            " (*: the turning field of the alt-azimuth mount)"
        } else {
            ""
        },
        got.request.clip_s,
    );
    text.push_str(&wrapped(&notes, 2));
    text
}
