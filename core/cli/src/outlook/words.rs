//! Words that both tables share: numbers in their units, verdicts in sentences, cautions.

use std::fmt::Write as _;

use jiff::{SignedDuration, Timestamp};
use stillair_sky::Body;
use stillair_sky::optics::{Sampling, SamplingVerdict};
use stillair_sky::outlook::{Caution, Gear, Outlook, OutlookRequest};

/// Widest line, characters.
pub const WIDTH: usize = 96;

/// Hours and minutes, UTC moved by an offset.
pub fn clock(utc: Timestamp, offset_s: i32) -> String {
    let moved = utc.checked_add(SignedDuration::from_secs(i64::from(offset_s) + 30)).unwrap_or(utc);
    moved.strftime("%H:%M").to_string()
}

/// A number that may be missing.
pub fn number(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| "-".into(), |value| format!("{value:.digits$}"))
}

/// A length of time, short: `85 s`, `23 min`, `>3 h`.
pub fn length(seconds: Option<f64>) -> String {
    match seconds {
        None => "-".into(),
        Some(s) if s < 9.95 => format!("{s:.1} s"),
        Some(s) if s < 600.0 => format!("{s:.0} s"),
        Some(s) if s < 10_800.0 => format!("{:.0} min", s / 60.0),
        Some(_) => ">3 h".into(),
    }
}

/// Breaks a text into lines of at most [`WIDTH`] characters; all but the first begin with `indent` blanks.
pub fn wrapped(text: &str, indent: usize) -> String {
    let mut lines = String::new();
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > WIDTH {
            let _ = write!(lines, "\n{}{word}", " ".repeat(indent));
            column = indent + length;
        } else {
            let gap = usize::from(column > 0);
            let _ = write!(lines, "{}{word}", " ".repeat(gap));
            column += gap + length;
        }
    }
    lines.push('\n');
    lines
}

/// Telescope and camera against the diffraction limit, and what had to be left out.
pub fn gear(got: &Outlook) -> String {
    let gear = &got.request.gear;
    let mut text = String::new();
    if let Some(sampling) = &got.sampling {
        text.push_str(&wrapped(&sampling_words(sampling, gear, got.request.wavelength_nm), 2));
    } else if let Some(limit_arcsec) = gear.lambda_over_d_arcsec(got.request.wavelength_nm) {
        let nm = got.request.wavelength_nm;
        text.push_str(&wrapped(&format!("Sharpest detail: lambda/D = {limit_arcsec:.2} arcsec at {nm:.0} nm."), 2));
    }
    let missing: Vec<&str> = [
        ("telescope.aperture_mm", gear.aperture_mm.is_none()),
        ("telescope.focal_mm", gear.focal_mm.is_none()),
        ("camera.pixel_um", gear.pixel_um.is_none()),
        ("camera.exposure_s", gear.exposure_ms.is_none()),
    ]
    .into_iter()
    .filter_map(|(name, missing)| missing.then_some(name))
    .collect();
    if !missing.is_empty() {
        let mut left_out = Vec::new();
        if gear.arcsec_per_px().is_none() {
            left_out.push("sizes in pixels, longest clip and window");
        }
        if got.sampling.is_none() {
            left_out.push("the verdict on sampling");
        }
        if gear.aperture_mm.is_none() {
            left_out.push("D/r0 and dispersion against the diffraction limit");
        }
        if gear.exposure_ms.is_none() {
            left_out.push("whether your exposure freezes the seeing");
        }
        let what = left_out.join("; ");
        let how = missing.join(", ");
        text.push_str(&wrapped(
            &format!("Left out: {what}. Not known: {how} (session file, or --fact {}=...).", missing[0]),
            2,
        ));
    }
    text
}

fn sampling_words(sampling: &Sampling, gear: &Gear, wavelength_nm: f64) -> String {
    let verdict = match sampling.verdict {
        SamplingVerdict::Under => format!(
            "undersampled, the finest detail is lost; f/{:.0} to f/{:.0} would record it",
            sampling.nyquist_focal_ratio,
            1.75 * sampling.nyquist_focal_ratio
        ),
        SamplingVerdict::Good => "good, all detail is recorded and no light wasted".into(),
        SamplingVerdict::Over if gear.colour_mosaic && sampling.colour_px_per_lambda_over_d <= 3.5 => {
            "finer than a mono camera needs, right for a colour mosaic that is stacked from many frames".into()
        }
        SamplingVerdict::Over => format!(
            "oversampled, light and speed are lost for nothing; f/{:.0} to f/{:.0} would do",
            sampling.nyquist_focal_ratio,
            1.75 * sampling.nyquist_focal_ratio
        ),
    };
    let mosaic = if gear.colour_mosaic {
        format!(" Among pixels of one colour: {:.1} px.", sampling.colour_px_per_lambda_over_d)
    } else {
        String::new()
    };
    let aperture = gear.aperture_mm.map_or_else(String::new, |mm| format!("{mm:.0} mm, "));
    format!(
        "Sampling: {aperture}f/{:.1}, {:.3} arcsec/px, {:.1} px per lambda/D at {wavelength_nm:.0} nm (2 to 3.5 is \
         good): {verdict}.{mosaic}",
        sampling.focal_ratio, sampling.arcsec_per_px, sampling.px_per_lambda_over_d
    )
}

/// The assumptions behind the numbers.
pub fn assumed(request: &OutlookRequest) -> String {
    let conditions = &request.conditions;
    wrapped(
        &format!(
            "Reckoned with: seeing {:.1} arcsec and a wind of {:.0} m/s aloft, detail moving at most {} px, clips of {:.0} s, \
             drift {} arcsec/s, altitude from {} deg up, the Sun {} deg or more below the horizon; spread from {:.0} \
             to {:.0} nm.",
            conditions.seeing_arcsec,
            conditions.wind_m_per_s,
            request.allowed_smear_px,
            request.clip_s,
            request.drift_arcsec_per_s,
            request.least_altitude_deg,
            -request.sun_limit_deg,
            request.dispersion_nm.0,
            request.dispersion_nm.1
        ),
        2,
    )
}

/// Cautions with their targets, the same words once.
pub fn cautions<'a>(found: impl Iterator<Item = (Option<Body>, &'a Caution)>) -> String {
    let mut said: Vec<(String, Vec<Body>)> = Vec::new();
    for (body, caution) in found {
        let text = caution.text();
        match said.iter_mut().find(|(known, _)| *known == text) {
            Some((_, bodies)) => bodies.extend(body.filter(|b| !bodies.contains(b))),
            None => said.push((text, body.into_iter().collect())),
        }
    }
    let mut text = String::new();
    for (words, bodies) in said {
        let names: Vec<&str> = bodies.iter().map(|body| body.name()).collect();
        let who = if names.is_empty() { String::new() } else { format!("{}: ", names.join(", ")) };
        text.push_str(&wrapped(&format!("! {who}{words}"), 2));
    }
    text
}
