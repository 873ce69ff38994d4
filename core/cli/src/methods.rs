//! `stillair methods`: every method, its shape, one line.

use std::fmt::Write as _;

use serde_json::json;
use stillair_api::Shape;
use stillair_engine::diagnostic::nearest;

use crate::arguments::{Global, Methods};
use crate::failure::Failure;
use crate::{plugins, say};

/// Lists methods.
pub fn methods(verb: &Methods, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    let family = |method: &str| method.split('.').next().unwrap_or_default().to_string();
    let all: Vec<_> = catalogue.all().map(|l| &l.description).collect();
    let wanted = |method: &str| verb.family.as_ref().is_none_or(|f| *f == family(method) || f == method);
    let found: Vec<_> = all.iter().filter(|d| wanted(&d.method)).collect();
    if let (Some(wanted), true) = (&verb.family, found.is_empty()) {
        let mut families: Vec<_> = all.iter().map(|d| family(&d.method)).collect();
        families.dedup();
        let remedy = match nearest(wanted, families.iter().map(String::as_str)) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("the families are {}", families.join(", ")),
        };
        return Err(Failure::request(format!("there is no family of methods `{wanted}`"), remedy));
    }
    if global.json {
        for description in found {
            say::json(&json!(description));
        }
        return Ok(());
    }
    let wide = found.iter().map(|d| d.method.len()).max().unwrap_or(0);
    let mut text = String::new();
    let mut last = String::new();
    for description in found {
        let family = family(&description.method);
        if family != last && !last.is_empty() {
            text.push('\n');
        }
        last = family;
        let _ = writeln!(text, "{:wide$}  {:9}  {}", description.method, shape(description.shape), description.summary);
    }
    say::out(&text);
    Ok(())
}

/// A shape's word.
pub fn shape(shape: Shape) -> &'static str {
    match shape {
        Shape::Source => "source",
        Shape::Map => "map",
        Shape::Measure => "measure",
        Shape::Reduce => "reduce",
        Shape::Transform => "transform",
        Shape::Sink => "sink",
    }
}
