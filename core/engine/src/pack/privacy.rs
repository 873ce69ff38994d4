//! What of a record may be told to strangers: a list of what is kept, so that a new field is left out until somebody
//! has thought about it.

use serde_json::{Map, Value};

use super::With;
use crate::session::{FactKind, fact_spec};

/// Fields of the record that name neither a file, nor a person, nor a place. Keys of a run are not among them: they are
/// made of all facts, and a site could be guessed from them.
const RECORD: [&str; 13] = [
    "format", "run", "status", "recipe", "started", "finished", "seconds", "build", "passes", "skipped", "frames",
    "memory", "results",
];
const MACHINE: [&str; 4] = ["os", "architecture", "cores", "threads"];
const BUILD: [&str; 3] = ["version", "executable", "instruction_set"];
const CLIP: [&str; 9] =
    ["bits", "exposure_s", "frames", "height", "width", "layout", "start_unix_ns", "times", "white_level"];
const NODE: [&str; 15] = [
    "step",
    "method",
    "version",
    "shape",
    "contract",
    "plugin",
    "plugin_version",
    "plugin_blake3",
    "parameters",
    "given",
    "links",
    "seconds",
    "frames",
    "sweeps",
    "why",
];
/// What is looked at, by the names that a session gives them; any other may be a person's word.
const TARGETS: [&str; 10] =
    ["sun", "moon", "mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune", "pluto"];
const OUT: &str = "(left out)";

/// The words of a record that only its owner may tell.
pub(super) struct Private {
    words: Vec<String>,
}

impl Private {
    /// Gathers them: names and folders of files, texts of headers and sessions, and the words never to be told.
    pub fn of(record: &Value, with: &With) -> Self {
        let mut words = with.never.clone();
        for input in list(record, "inputs") {
            if let Some(file) = input["file"].as_str() {
                words.push(file.into());
                let path = std::path::Path::new(file);
                let folder = path.parent().map(|p| p.display().to_string()).filter(|f| f.len() > 1);
                words.extend(folder);
                if !with.names {
                    words.extend(path.file_name().map(|n| n.to_string_lossy().into_owned()));
                }
            }
            if !with.observer {
                words.extend(input["clip"]["header"].as_object().into_iter().flatten().filter_map(personal));
                words.extend(facts(input).filter_map(|(name, fact)| {
                    let text = fact["value"].as_str().filter(|_| !may_tell(name, fact, with))?;
                    Some(text.to_string())
                }));
            }
        }
        words.retain(|w| w.trim().len() > 1);
        Self { words }
    }

    /// Whether a text tells one of the words, or names a place on a disk.
    pub fn told_by(&self, text: &str) -> bool {
        self.words.iter().any(|word| holds_word(text, word)) || names_path(text)
    }

    /// Whether bytes hold one of the longer words: in a picture's header, say.
    pub fn in_bytes(&self, bytes: &[u8]) -> bool {
        let long = self.words.iter().filter(|w| w.len() >= 5);
        long.map(|w| w.as_bytes()).any(|word| bytes.windows(word.len()).any(|window| window == word))
    }
}

fn list<'v>(value: &'v Value, key: &str) -> impl Iterator<Item = &'v Value> {
    value[key].as_array().into_iter().flatten()
}

fn facts(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value["facts"].as_object().into_iter().flatten()
}

/// A header's entry that a person may have typed: a text of letters.
fn personal((_, value): (&String, &Value)) -> Option<String> {
    value.as_str().filter(|text| text.chars().any(char::is_alphabetic)).map(Into::into)
}

/// Whether a word stands in a text on its own, whatever its capitals.
fn holds_word(text: &str, word: &str) -> bool {
    let (text, word) = (text.to_lowercase(), word.trim().to_lowercase());
    let edge = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric());
    text.match_indices(&word)
        .any(|(at, _)| edge(text[..at].chars().next_back()) && edge(text[at + word.len()..].chars().next()))
}

/// Whether a text names a path that begins at a root, a home or a drive.
fn names_path(text: &str) -> bool {
    let parts = text.split(|c: char| c.is_whitespace() || "\"'`(),;=<>".contains(c));
    let rooted = |part: &str| part.starts_with('/') && part.len() > 1 && !part.starts_with("//");
    let drive = |part: &str| {
        let bytes = part.as_bytes();
        bytes.len() > 2 && bytes[0].is_ascii_alphabetic() && bytes[1] == b':' && matches!(bytes[2], b'\\' | b'/')
    };
    parts.into_iter().any(|part| rooted(part) || part.starts_with("~/") || part.starts_with("\\\\") || drive(part))
}

/// Whether a fact may be told.
fn may_tell(name: &str, fact: &Value, with: &With) -> bool {
    let place = name.starts_with("site.") || name == "time.utc_offset_s";
    let known = name == "target.name"
        && fact["value"].as_str().is_some_and(|t| TARGETS.contains(&t.trim().to_lowercase().as_str()));
    match fact_spec(name).map(|spec| spec.kind) {
        _ if place => with.site,
        Some(FactKind::Path) | None => false,
        Some(FactKind::Text) => known || with.observer,
        Some(_) => true,
    }
}

/// The record as strangers may read it.
pub(super) fn record(whole: &Value, with: &With, private: &Private) -> Value {
    let mut told = only(whole, &RECORD);
    told.insert("build".into(), Value::Object(only(&whole["build"], &BUILD)));
    told.insert("machine".into(), Value::Object(only(&whole["machine"], &MACHINE)));
    let inputs = list(whole, "inputs").map(|one| input(one, with, private)).collect();
    told.insert("inputs".into(), Value::Array(inputs));
    told.insert("nodes".into(), list(whole, "nodes").map(|one| node(one, with, private)).collect());
    let warnings = list(whole, "warnings").map(|one| {
        let text = one["text"].as_str().filter(|text| !private.told_by(text)).unwrap_or(OUT);
        serde_json::json!({ "step": one["step"], "text": text })
    });
    told.insert("warnings".into(), warnings.collect());
    if let Some(error) = whole["error"].as_object() {
        let message = error.get("message").and_then(Value::as_str).filter(|text| !private.told_by(text));
        let error = serde_json::json!({
            "step": error.get("step"), "kind": error.get("kind"), "message": message.unwrap_or(OUT), "remedy": null,
        });
        told.insert("error".into(), error);
    } else {
        told.insert("error".into(), Value::Null);
    }
    let mut told = Value::Object(told);
    guard(&mut told);
    told
}

fn only(value: &Value, names: &[&str]) -> Map<String, Value> {
    let fields = value.as_object().into_iter().flatten();
    fields.filter(|(name, _)| names.contains(&name.as_str())).map(|(n, v)| (n.clone(), v.clone())).collect()
}

fn told_facts(value: &Value, with: &With) -> Value {
    facts(value).filter(|(name, fact)| may_tell(name, fact, with)).map(|(n, f)| (n.clone(), f.clone())).collect()
}

fn input(whole: &Value, with: &With, private: &Private) -> Value {
    let mut told = only(whole, &["input", "bytes", "blake3"]);
    if with.names {
        let path = std::path::Path::new(whole["file"].as_str().unwrap_or_default());
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        told.insert("file".into(), name.into());
    }
    let mut clip = only(&whole["clip"], &CLIP);
    let header = whole["clip"]["header"].as_object().into_iter().flatten().filter(|(name, value)| {
        let place = name.starts_with("utc_offset");
        let typed = value.as_str().is_some_and(|text| text.trim().parse::<f64>().is_err());
        (!place || with.site) && (!typed || with.observer)
    });
    clip.insert("header".into(), header.map(|(n, v)| (n.clone(), v.clone())).collect());
    let notes = list(&whole["clip"], "notes").filter(|n| n.as_str().is_some_and(|text| !private.told_by(text)));
    clip.insert("notes".into(), notes.cloned().collect());
    told.insert("clip".into(), Value::Object(clip));
    told.insert("facts".into(), told_facts(whole, with));
    Value::Object(told)
}

/// A step; what it measured with the help of a private fact could tell that fact.
fn node(whole: &Value, with: &With, private: &Private) -> Value {
    let mut told = only(whole, &NODE);
    told.insert("facts".into(), told_facts(whole, with));
    // Why a step ran names what changed, perhaps a fact.
    let why = whole["why"].as_str().unwrap_or_default();
    if private.told_by(why) || why.contains("fact ") {
        told.insert("why".into(), "ran".into());
    }
    let secret = facts(whole).any(|(name, _)| name.starts_with("site.") && !with.site);
    let entries = list(whole, "entries").filter(|entry| {
        let texts = entry.as_object().into_iter().flatten().filter_map(|(_, v)| v.as_str());
        !secret && !texts.into_iter().any(|text| private.told_by(text))
    });
    told.insert("entries".into(), entries.cloned().collect());
    Value::Object(told)
}

/// Takes out every text that names a path, wherever it stands.
fn guard(value: &mut Value) {
    match value {
        Value::String(text) if names_path(text) => *text = OUT.into(),
        Value::Array(items) => items.iter_mut().for_each(guard),
        Value::Object(fields) => fields.values_mut().for_each(guard),
        _ => {}
    }
}

/// A recipe without the comments that tell a private word.
pub(super) fn recipe(text: &str, private: &Private) -> String {
    let kept = text.lines().filter(|line| !(line.trim_start().starts_with('#') && private.told_by(line)));
    kept.flat_map(|line| [line, "\n"]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_and_words_are_seen() {
        for text in ["cannot read /home/anna/a.ser", "see `~/a`", "C:\\clips\\a.avi", "(/tmp/x)", "at \\\\host\\a"] {
            assert!(names_path(text), "{text}");
        }
        for text in ["120 frames/s", "a/b", "https://w3id.org/x", "1 / 2", "results/picture.png", "e-/adu"] {
            assert!(!names_path(text), "{text}");
        }
        assert!(holds_word("taken by Anna, alone", "anna") && !holds_word("Annabel", "anna"));
        assert!(holds_word("Zürich", "zürich") && !holds_word("the maximum", "max"));
    }

    #[test]
    fn a_field_that_nobody_thought_of_is_left_out() {
        let whole = serde_json::json!({
            "format": 1, "owner": "Anna", "inputs": [{ "input": "clip", "file": "/home/anna/garden.ser", "serial": "7",
                "clip": { "width": 3, "header": { "observer": "Anna", "utc_offset_h": "2", "gain": "120" } },
                "facts": { "site.latitude_deg": { "value": 47.0 }, "camera.filter": { "value": "Anna's red" },
                    "target.name": { "value": "Jupiter" }, "telescope.aperture_mm": { "value": 105.0 } } }],
            "nodes": [{ "step": "a", "entries": [{ "name": "altitude", "value": 31.0 }],
                "facts": { "site.latitude_deg": { "value": 47.0 } } }],
            "warnings": [{ "step": "a", "text": "garden.ser is short" }, { "step": "a", "text": "few frames" }],
        });
        let nobody = With::default();
        let told = record(&whole, &nobody, &Private::of(&whole, &nobody));
        let text = told.to_string();
        for word in ["Anna", "anna", "garden", "site", "utc_offset", "altitude", "serial", "owner"] {
            assert!(!text.contains(word), "{word}: {text}");
        }
        for word in ["Jupiter", "aperture_mm", "few frames", "\"gain\":\"120\""] {
            assert!(text.contains(word), "{word}: {text}");
        }
        let all = With { site: true, observer: true, names: true, never: Vec::new() };
        let text = record(&whole, &all, &Private::of(&whole, &all)).to_string();
        for word in ["garden.ser", "Anna's red", "latitude_deg", "utc_offset_h"] {
            assert!(text.contains(word), "{word}: {text}");
        }
        assert!(!text.contains("/home/anna"), "{text}");
    }
}
