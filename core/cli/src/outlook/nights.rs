//! Several nights: a row for each.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use stillair_sky::outlook::{Darkness, Night, Outlook, TargetNight};

use super::words::{assumed, cautions, clock, gear, length, number, wrapped};

/// The nights in words.
pub fn text(got: &Outlook) -> String {
    let mut text = match &got.request.bodies[..] {
        [_] => one_target(got),
        _ => all_targets(got),
    };
    text.push('\n');
    text.push_str(&gear(got));
    text.push_str(&assumed(&got.request));
    text.push('\n');
    // Over many nights a caution's numbers change: the first night's stand for the rest.
    let mut told = Vec::new();
    let targets = got.nights.iter().flat_map(|night| &night.targets);
    let first = targets.flat_map(|target| target.cautions.iter().map(move |caution| (Some(target.body), caution)));
    let first = first.filter(|(body, caution)| {
        let kind = (*body, std::mem::discriminant(*caution));
        let new = !told.contains(&kind);
        told.push(kind);
        new
    });
    text.push_str(&cautions(first.collect::<Vec<_>>().into_iter().chain(got.cautions.iter().map(|c| (None, c)))));
    text
}

fn evening(night: &Night) -> String {
    let evening = night.midnight.checked_sub(SignedDuration::from_hours(12)).unwrap_or(night.midnight);
    evening.strftime("%Y-%m-%d").to_string()
}

fn dark(night: &Night) -> String {
    let side = |time: Option<Timestamp>| time.map_or_else(|| "     ".into(), |t| clock(t, 0));
    match night.darkness {
        Darkness::NeverDark => "never".into(),
        Darkness::AlwaysDark => "all day".into(),
        Darkness::Dark => format!("{}-{}", side(night.dusk), side(night.dawn)),
    }
}

/// A column for each target: altitude and disc.
fn all_targets(got: &Outlook) -> String {
    let mut text = format!("{:<10} {:<11}", "evening", "dark, UTC");
    for body in &got.request.bodies {
        let _ = write!(text, " {:>8}", body.name());
    }
    text.push('\n');
    for night in &got.nights {
        let _ = write!(text, "{:<10} {:<11}", evening(night), dark(night));
        for target in &night.targets {
            let cell = target.best.as_ref().map_or_else(
                || "-".into(),
                |best| {
                    let arcsec = best.disc.equatorial_diameter_arcsec;
                    let digits = usize::from(arcsec < 100.0);
                    format!("{:.0}/{arcsec:.digits$}", best.horizon.altitude_deg)
                },
            );
            let _ = write!(text, " {cell:>8}");
        }
        text.push('\n');
    }
    text.push_str(&wrapped(
        "Each: highest altitude in the dark, deg / disc, arcsec; - is not high enough in the dark.",
        2,
    ));
    text
}

/// More about the only target.
fn one_target(got: &Outlook) -> String {
    let name = got.request.bodies.first().map_or("", |body| body.name());
    let mut text = format!(
        "{name}\n{:<10} {:<11} {:<11} {:>5} {:>3} {:>6} {:>5} {:>3} {:>5} {:>4} {:>4} {:>4} {:>6} {:>7}\n",
        "evening",
        "dark, UTC",
        "high, UTC",
        "best",
        "alt",
        "disc",
        "disc",
        "lit",
        "tilt",
        "CM I",
        "II",
        "III",
        "spread",
        "clip up"
    );
    let _ = writeln!(
        text,
        "{:<10} {:<11} {:<11} {:>5} {:>3} {:>6} {:>5} {:>3} {:>5} {:>4} {:>4} {:>4} {:>6} {:>7}",
        "", "", "", "UTC", "deg", "arcsec", "px", "%", "deg", "deg", "deg", "deg", "arcsec", "to"
    );
    for night in &got.nights {
        let target = night.targets.first();
        let _ = writeln!(text, "{}", format!("{:<10} {:<11} {}", evening(night), dark(night), row(target)).trim_end());
    }
    text
}

fn row(target: Option<&TargetNight>) -> String {
    let Some(target) = target else { return String::new() };
    let Some(best) = &target.best else {
        return format!("not high enough in the dark ({:.0} deg from the Sun)", target.elongation_deg);
    };
    let disc = &best.disc;
    // The longest stretch, of the two that the Moon or a far northern target may have.
    let longest = target.windows.iter().max_by_key(|w| w.end.as_second() - w.start.as_second());
    let span = longest.map_or_else(String::new, |w| format!("{}-{}", clock(w.start, 0), clock(w.end, 0)));
    let tilt_deg = disc.rings.map_or(disc.sub_observer.planetocentric_lat_deg, |rings| rings.tilt_deg);
    format!(
        "{span:<11} {:>5} {:>3.0} {:>6.1} {:>5} {:>3.0} {tilt_deg:>+5.1} {:>4} {:>4} {:>4} {:>6.2} {:>7}",
        clock(best.utc, 0),
        best.horizon.altitude_deg,
        disc.equatorial_diameter_arcsec,
        number(best.disc_px, 0),
        disc.illuminated_fraction * 100.0,
        number(disc.central_meridian_i_deg, 0),
        number(disc.central_meridian_ii_deg, 0),
        number(disc.libration.is_none().then_some(disc.sub_observer.longitude_deg), 0),
        best.dispersion_arcsec,
        length(best.longest_clip_s),
    )
}
