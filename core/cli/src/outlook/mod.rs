//! `stillair outlook`: what can be seen from a site in the nights to come, and how well telescope and camera suit it.

mod ask;
mod nights;
mod one_night;
mod past;
mod words;

use std::path::Path;

use jiff::Timestamp;
use serde_json::json;
use stillair_api::Fault;
use stillair_report::NightPicture;
use stillair_sky::outlook::{Night, outlook};

pub use ask::Ask;

use crate::arguments::Global;
use crate::failure::Failure;
use crate::say;
use ask::{Question, question, wrong};

/// Works the outlook out, tells it, and draws the first night if asked to.
pub fn tell(ask: &Ask, global: &Global) -> Result<(), Failure> {
    let question = question(ask, global, Timestamp::now())?;
    let got = outlook(&question.request).map_err(|error| wrong(&error))?;
    let past = match &ask.runs {
        Some(folder) if !folder.is_dir() => {
            return Err(Failure::request(format!("{} is not a folder", folder.display()), "give the folder of runs"));
        }
        Some(folder) => Some((past::past(&got, &past::read(folder)), folder)),
        None => None,
    };
    if global.json {
        let mut value = serde_json::to_value(&got)
            .map_err(|error| Fault::internal(format!("the outlook cannot be written as JSON: {error}")))?;
        if let (false, Some(request)) = (ask.with_site, value.get_mut("request").and_then(|r| r.as_object_mut())) {
            request.remove("site");
        }
        say::json(&json!({ "event": "outlook", "outlook": value }));
        if let Some((past, _)) = &past {
            say::json(&json!({ "event": "past", "targets": past }));
        }
    } else {
        let mut text = match &got.nights[..] {
            [night] => one_night::text(&got, night, question.local_minus_utc_s),
            _ => nights::text(&got),
        };
        if let Some((past, folder)) = &past {
            text.push('\n');
            text.push_str(&past::text(past, folder));
        }
        say::out(&text);
        if let Some(path) = &question.session {
            say::note(&format!("from the facts in {}", path.display()));
        }
    }
    match (&ask.picture, got.nights.first()) {
        (Some(path), Some(night)) => draw(path, night, &question, global),
        _ => Ok(()),
    }
}

/// Writes the picture of a night.
fn draw(path: &Path, night: &Night, question: &Question, global: &Global) -> Result<(), Failure> {
    if !path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("svg")) {
        let message = format!("{} is not the name of an SVG file", path.display());
        return Err(Failure::request(message, "the picture of the night is SVG: let the name end with .svg"));
    }
    let picture = NightPicture {
        night,
        least_altitude_deg: question.request.least_altitude_deg,
        local_minus_utc_s: question.local_minus_utc_s,
    };
    std::fs::write(path, picture.svg())
        .map_err(|error| Fault::resource(format!("cannot write {}: {error}", path.display())))?;
    if global.json {
        say::json(&json!({ "event": "picture", "file": path }));
    } else {
        say::note(&format!("picture  {}", path.display()));
    }
    Ok(())
}
