//! A parameter's value against its description.

use stillair_api::{Parameter, ParameterKind, ParameterValue, Shape};

use super::tree::{Item, Key, Value};
use crate::diagnostic::{Log, suggest};

/// Reads a parameter's value; complains where it is of the wrong kind or out of range.
pub(crate) fn read(log: &mut Log, spec: &Parameter, shape: Shape, key: &Key, item: &Item) -> Option<ParameterValue> {
    if spec.auto && item.text() == Some("auto") {
        return Some(ParameterValue::Text("auto".into()));
    }
    match (&spec.kind, &item.value) {
        (ParameterKind::Number { min, max }, _) if item.number().is_some() => {
            let number = item.number().unwrap_or(f64::NAN);
            in_range(log, spec, item, number, *min, *max).then_some(ParameterValue::Number(number))
        }
        (ParameterKind::Integer { min, max }, Value::Integer(number)) => {
            if (min..=max).contains(&number) {
                return Some(ParameterValue::Integer(*number));
            }
            out_of_range(log, spec, item, &number.to_string());
            None
        }
        (ParameterKind::Choice { of }, Value::Text(word)) => {
            if of.contains(word) {
                return Some(ParameterValue::Text(word.clone()));
            }
            let words = of.iter().map(String::as_str);
            log.error(&item.place, format!("`{}` cannot be `{word}`", key.name))
                .cause(wants(spec))
                .remedy(suggest(word, words, "choice"));
            None
        }
        (ParameterKind::Flag, Value::Flag(flag)) => Some(ParameterValue::Flag(*flag)),
        (ParameterKind::Text, Value::Text(text)) => {
            safe_text(log, shape, key, item, text).then(|| ParameterValue::Text(text.clone()))
        }
        (ParameterKind::Numbers { min, max }, Value::List(items)) if items.iter().all(|i| i.number().is_some()) => {
            let numbers: Vec<f64> = items.iter().filter_map(Item::number).collect();
            let good = items.iter().zip(&numbers).filter(|(i, n)| in_range(log, spec, i, **n, *min, *max)).count();
            (good == numbers.len()).then_some(ParameterValue::Numbers(numbers))
        }
        _ => {
            let what = if item.is_link() { "a link" } else { item.kind() };
            log.error(&item.place, format!("`{}` cannot be {what}", key.name)).cause(wants(spec)).remedy(
                if item.is_link() {
                    "a parameter takes a plain value, only ports take links".into()
                } else {
                    format!("write a value such as `{} = {}`", key.name, show(&spec.default))
                },
            );
            None
        }
    }
}

fn in_range(log: &mut Log, spec: &Parameter, item: &Item, number: f64, min: f64, max: f64) -> bool {
    let good = (min..=max).contains(&number);
    if !good {
        out_of_range(log, spec, item, &number.to_string());
    }
    good
}

fn out_of_range(log: &mut Log, spec: &Parameter, item: &Item, value: &str) {
    let unit = with_unit(&spec.unit);
    log.error(&item.place, format!("`{}` cannot be {value}{unit}", spec.name))
        .cause(wants(spec))
        .remedy(format!("the default is {}", default_text(spec)));
}

/// A recipe comes from anyone, so a text that becomes part of a path must stay within the run folder.
fn safe_text(log: &mut Log, shape: Shape, key: &Key, item: &Item, text: &str) -> bool {
    let drive = text.as_bytes().get(1) == Some(&b':') && text.as_bytes()[0].is_ascii_alphabetic();
    let climbs = text.split(['/', '\\']).any(|part| part == "..");
    let absolute = text.starts_with(['/', '\\', '~']) || drive;
    let file_name = shape == Shape::Sink && key.name == "name";
    let not_plain = file_name && (text.is_empty() || text.starts_with('.') || text.contains(['/', '\\']));
    let control = text.chars().any(char::is_control);
    let good = !(absolute || climbs || not_plain || control || text.len() > 200);
    if !good {
        log.error(&item.place, format!("`{}` cannot be {}", key.name, super::tree::quoted(text)))
            .cause("a recipe may name no file outside the run folder")
            .remedy(if file_name { "write a plain file name without its extension" } else { "write a plain text" });
    }
    good
}

/// What a parameter takes, with range and unit.
pub fn wants(spec: &Parameter) -> String {
    let unit = with_unit(&spec.unit);
    let auto = if spec.auto && !matches!(spec.kind, ParameterKind::Choice { .. }) { " or \"auto\"" } else { "" };
    match &spec.kind {
        ParameterKind::Number { min, max } => format!("it takes a number from {min} to {max}{unit}{auto}"),
        ParameterKind::Integer { min, max } => format!("it takes a whole number from {min} to {max}{unit}{auto}"),
        ParameterKind::Choice { of } => {
            let words: Vec<_> = of.iter().map(|w| format!("\"{w}\"")).collect();
            format!("it takes one of {}", words.join(", "))
        }
        ParameterKind::Flag => "it takes true or false".into(),
        ParameterKind::Text => "it takes a text".into(),
        ParameterKind::Numbers { min, max } => {
            format!("it takes a list of numbers from {min} to {max}{unit}{auto}")
        }
    }
}

/// The default with its unit.
pub fn default_text(spec: &Parameter) -> String {
    let unit = if spec.default == ParameterValue::Text("auto".into()) { String::new() } else { with_unit(&spec.unit) };
    format!("{}{unit}", show(&spec.default))
}

fn with_unit(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

/// A value as TOML writes it.
pub fn show(value: &ParameterValue) -> String {
    match value {
        ParameterValue::Flag(flag) => flag.to_string(),
        ParameterValue::Integer(number) => number.to_string(),
        ParameterValue::Number(number) => number.to_string(),
        ParameterValue::Text(text) => super::tree::quoted(text),
        ParameterValue::Numbers(numbers) => format!("{numbers:?}"),
    }
}
