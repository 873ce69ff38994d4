//! `stillair session`: begins a session file for a clip, and checks one.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use serde_json::json;
use stillair_api::{ClipInfo, FactOrigin, FactValue, Facts, Fault, Layout, Node};
use stillair_engine::compile::READER;
use stillair_engine::session::{self, FACTS, FactKind, FactSpec};

use crate::arguments::{Global, Session};
use crate::check::Quiet;
use crate::failure::Failure;
use crate::{plugins, say};

/// Begins or checks a session file.
pub fn session(verb: &Session, global: &Global) -> Result<(), Failure> {
    match verb {
        Session::New { clip } => new(clip, global),
        Session::Check { file } => check(file, global),
    }
}

/// Writes `NAME.session.toml` beside a clip, unless it is there.
fn new(clip: &Path, global: &Global) -> Result<(), Failure> {
    let info = look_into(clip, global)?;
    let path = session::own(clip)
        .ok_or_else(|| Failure::request(format!("{} is not the name of a clip", clip.display()), "name a file"))?;
    let mut file = match std::fs::OpenOptions::new().write(true).create_new(true).open(&path) {
        Ok(file) => file,
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            let message = format!("{} is there already", path.display());
            return Err(Failure::request(message, "edit it, or take it away first; nothing was changed"));
        }
        Err(error) => return Err(Fault::resource(format!("cannot write {}: {error}", path.display())).into()),
    };
    let name = clip.file_name().unwrap_or_default().to_string_lossy();
    file.write_all(text(&name, &info).as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(|error| Fault::resource(format!("cannot write {}: {error}", path.display())))?;
    if global.json {
        say::json(&json!({ "event": "session", "file": path }));
    } else {
        say::out(&format!("{}\nfill in what you know, then: stillair session check {0}", path.display()));
    }
    Ok(())
}

/// Checks a session file, or the one that belongs to a clip.
fn check(file: &Path, global: &Global) -> Result<(), Failure> {
    let is_session = file.extension().is_some_and(|extension| extension == "toml");
    let path: PathBuf = if is_session { Some(file.to_path_buf()) } else { session::beside(file) }.ok_or_else(|| {
        let remedy = format!("begin one: stillair session new {}", file.display());
        Failure::request(format!("no session file belongs to {}", file.display()), remedy)
    })?;
    let read = session::read(&path)?;
    if global.json {
        say::json(&json!({ "event": "checked", "session": path, "facts": read.facts }));
        return Ok(());
    }
    let count = read.facts.0.len();
    let mut text = format!("{}: good, {count} {}\n", path.display(), if count == 1 { "fact" } else { "facts" });
    for spec in FACTS {
        if let Some(fact) = read.facts.0.get(spec.name) {
            let _ = writeln!(text, "  {} = {}", spec.name, written(&fact.value));
        }
    }
    say::out(&text);
    Ok(())
}

/// What the clip's own header says.
fn look_into(clip: &Path, global: &Global) -> Result<ClipInfo, Failure> {
    let catalogue = plugins::catalogue(global)?;
    let reader = catalogue.get(READER).ok_or_else(|| Fault::internal(format!("the method {READER} is not at hand")))?;
    let node = reader.method.create(&reader.description.defaults(), &Facts::default())?;
    let Node::Source(source) = node else {
        return Err(Fault::internal(format!("{READER} does not make a source")).into());
    };
    Ok(source.open(&Quiet, &[clip.to_path_buf()])?.info().clone())
}

/// A session file in which every line is a comment: what the header says stands there with its value.
fn text(name: &str, info: &ClipInfo) -> String {
    let mut text = String::new();
    let _ =
        writeln!(text, "# What the clip {} cannot say of itself. Every line is optional: write a value", plain(name));
    text.push_str(
        "# and take the `#` away. Units stand in the keys. What is said here wins over the clip's own header.\n#\n",
    );
    for line in header_lines(info) {
        let _ = writeln!(text, "# {line}");
    }
    let known = header_facts(info);
    let mut section = "";
    for spec in FACTS {
        let Some((of, key)) = spec.name.split_once('.') else { continue };
        if of != section {
            section = of;
            let _ = writeln!(text, "\n[{section}]");
            if section == "site" {
                text.push_str("# Private: it stays in the record on this machine and never enters a picture.\n");
            }
        }
        let value = known.0.get(spec.name).map(|fact| written(&fact.value));
        let says = if value.is_some() { " (the header says so)" } else { "" };
        let start = format!("# {key} = {}", value.unwrap_or_default());
        let _ = writeln!(text, "{start:<34} # {}{}{says}", spec.help, range(spec));
    }
    text.push_str("\n[notes]\n# anything = \"worth remembering\"\n");
    text
}

/// What the header says of the clip, for a person to read.
fn header_lines(info: &ClipInfo) -> Vec<String> {
    let layout = match info.layout {
        Layout::Mono => "mono".to_string(),
        Layout::Mosaic(pattern) => format!("{} colour mosaic", pattern.letters()),
        Layout::Rgb => "RGB".into(),
    };
    let plural = if info.frames == 1 { "" } else { "s" };
    let mut lines = vec![
        "The clip's own header says:".to_string(),
        format!("  {} frame{plural} of {} x {} px, {layout}, {} bits", info.frames, info.width, info.height, info.bits),
    ];
    let start = info.start_unix_ns.and_then(|ns| jiff::Timestamp::from_nanosecond(i128::from(ns)).ok());
    if let Some(start) = start {
        lines.push(format!("  begun {} UTC", start.strftime("%Y-%m-%d %H:%M:%S")));
    }
    let times: Vec<f64> = info.time_s.iter().copied().filter(|t| t.is_finite()).collect();
    let span_s = times.first().zip(times.last()).map_or(0.0, |(first, last)| last - first);
    if span_s > 0.0 {
        lines.push(format!("  {span_s:.1} s at {:.1} frames/s", (times.len() - 1) as f64 / span_s));
    }
    if let Some(exposure) = info.exposure_s {
        lines.push(format!("  {exposure} s of exposure a frame"));
    }
    lines.extend(info.header.iter().map(|(name, value)| format!("  {}: {}", plain(name), plain(value))));
    lines.extend(info.notes.iter().map(|note| format!("  note: {}", plain(note))));
    lines
}

/// The facts that the header gives.
fn header_facts(info: &ClipInfo) -> Facts {
    let mut facts = Facts::default();
    let mut set = |name: &str, value| facts.set(name, value, FactOrigin::Header);
    set("camera.bits", FactValue::Number(f64::from(info.bits.min(16))));
    if let Layout::Mosaic(pattern) = info.layout {
        set("camera.pattern", FactValue::Text(pattern.letters().into()));
    }
    if let Some(exposure) = info.exposure_s {
        set("camera.exposure_s", FactValue::Number(exposure));
    }
    for (name, key) in [("camera.filter", "filter"), ("target.name", "target")] {
        if let Some(text) = info.header.get(key) {
            set(name, FactValue::Text(plain(text)));
        }
    }
    facts
}

/// A text of a stranger's file on one line, without anything that could end it.
fn plain(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect::<String>().trim().to_string()
}

/// A value as TOML.
fn written(value: &FactValue) -> String {
    match value {
        FactValue::Flag(flag) => flag.to_string(),
        FactValue::Number(number) => number.to_string(),
        FactValue::Text(text) => toml::Value::String(text.clone()).to_string(),
    }
}

/// The values that a fact may have, in words.
fn range(spec: &FactSpec) -> String {
    match spec.kind {
        FactKind::Number { min, max } => format!("; {min} to {max}"),
        FactKind::Integer { min, max } => format!("; {min} to {max}"),
        FactKind::Choice(words) => format!("; {}", words.join(", ")),
        FactKind::Flag => "; true or false".into(),
        FactKind::Text => "; a text".into(),
        FactKind::Path => "; a clip or picture, its place as seen from this file".into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use stillair_api::TimesOrigin;

    #[test]
    fn what_is_begun_is_good_and_a_hostile_header_stays_a_comment() {
        let info = ClipInfo {
            frames: 3,
            width: 8,
            height: 6,
            layout: Layout::Mono,
            bits: 12,
            white_level: 4095.0,
            time_s: vec![0.0, 0.5, 1.0].into(),
            start_unix_ns: Some(1_629_419_400_000_000_000),
            times: TimesOrigin::Stamps,
            exposure_s: Some(0.02),
            header: [("target".to_string(), "x\"\n[site]\nlatitude_deg = 99".to_string())].into(),
            notes: vec!["odd\r\nthing".into()],
        };
        let text = text("a\nb.ser", &info);
        let session = session::parse(Path::new("a.session.toml"), text.clone()).unwrap();
        assert_eq!(session.facts, Facts::default(), "{text}");
        assert!(text.contains("begun 2021-08-20 00:30:00 UTC") && text.contains("1.0 s at 2.0 frames/s"), "{text}");
        // What the header says is good as it stands once the `#` is gone.
        fn bare(line: &str) -> Option<&str> {
            line.strip_prefix("# ").filter(|l| ["exposure_s = ", "bits = ", "name = "].iter().any(|w| l.starts_with(w)))
        }
        let open: String = text.lines().map(|line| format!("{}\n", bare(line).unwrap_or(line))).collect();
        let session = session::parse(Path::new("a.session.toml"), open).unwrap();
        assert_eq!(session.facts.number("camera.exposure_s"), Some(0.02));
        assert_eq!(session.facts.text("target.name"), Some("x\" [site] latitude_deg = 99"));
    }
}
