//! What the observer knows of a clip and the file cannot say.
//!
//! It stands in `NAME.session.toml` beside `NAME.ser`, or in `session.toml` of the folder, or in a file named on the
//! command line; every key is optional, and units stand in the keys. What is given on the command line wins.

mod facts;

use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

use stillair_api::{FactOrigin, FactValue, Facts};

pub use facts::{FACTS, FactKind, FactSpec, fact_spec};

use crate::compile::tree::{self, Item, Key, Table, Value};
use crate::diagnostic::{Diagnostics, Log, Place, SourceText, suggest};

/// A session file, read and checked.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Session {
    /// Where it was read from.
    pub path: PathBuf,
    /// Facts by name.
    pub facts: Facts,
    /// Calibration files by kind (see [`calibration_kinds`]), as paths that can be opened.
    pub calibration: BTreeMap<String, PathBuf>,
    /// Free text by key.
    pub notes: BTreeMap<String, String>,
}

/// Largest session file that is read.
const MOST_BYTES: u64 = 1 << 20;

/// The session file that belongs to a clip: `NAME.session.toml` beside it, else `session.toml` of its folder.
pub fn beside(clip: &Path) -> Option<PathBuf> {
    let folder = clip.parent()?;
    [own(clip), Some(folder.join("session.toml"))].into_iter().flatten().find(|path| path.is_file())
}

/// Where a clip's own session file stands or would stand: `NAME.session.toml` beside it.
pub fn own(clip: &Path) -> Option<PathBuf> {
    let mut name = clip.file_stem()?.to_os_string();
    name.push(".session.toml");
    Some(clip.with_file_name(name))
}

/// The kinds of calibration files: the keys of `[calibration]`, and the names of the inputs that they fill.
pub fn calibration_kinds() -> impl Iterator<Item = &'static str> {
    FACTS.iter().filter_map(|fact| fact.name.strip_prefix("calibration."))
}

/// Reads a session file.
///
/// # Errors
/// All that is wrong with it, or that it cannot be read.
pub fn read(path: &Path) -> Result<Session, Diagnostics> {
    let mut log = Log::default();
    let name = path.display().to_string();
    let mut text = String::new();
    let file = std::fs::File::open(path);
    if let Err(error) = file.and_then(|f| f.take(MOST_BYTES).read_to_string(&mut text)) {
        let file = log.add_file(SourceText { path: name.clone(), text: String::new() });
        log.error(&Place { file, span: 0..0 }, format!("cannot read the session file: {error}"))
            .remedy("check the path; a session file is a text in UTF-8");
        return Err(log.finish());
    }
    parse(path, text)
}

/// Reads a session from a text; `path` is where it stands.
///
/// # Errors
/// All that is wrong with it.
pub fn parse(path: &Path, text: String) -> Result<Session, Diagnostics> {
    let mut log = Log::default();
    let (_, table) = tree::parse(&mut log, SourceText { path: path.display().to_string(), text });
    let mut session = Session { path: path.into(), ..Session::default() };
    for (section, item) in table.unwrap_or_default() {
        read_section(&mut log, &section, &item, &mut session);
    }
    if log.errors() > 0 { Err(log.finish()) } else { Ok(session) }
}

fn sections() -> Vec<&'static str> {
    let mut names: Vec<_> = FACTS.iter().filter_map(|f| f.name.split('.').next()).collect();
    names.dedup();
    names.push("notes");
    names
}

fn read_section(log: &mut Log, section: &Key, item: &Item, session: &mut Session) {
    let Some(table) = item.table() else {
        let near = FACTS.iter().find(|f| f.name.split('.').nth(1) == Some(&section.name));
        log.error(&section.place, format!("`{}` stands outside of any section", section.name)).remedy(match near {
            Some(fact) => format!("put it under [{}]", fact.name.split('.').next().unwrap_or_default()),
            None => suggest(&section.name, sections(), "section"),
        });
        return;
    };
    if section.name == "notes" {
        for (key, item) in table {
            let text = item.text().map_or_else(|| tree::write_value(item), Into::into);
            session.notes.insert(key.name.clone(), text);
        }
        return;
    }
    if !sections().contains(&section.name.as_str()) {
        log.error(&section.place, format!("unknown section [{}]", section.name)).remedy(suggest(
            &section.name,
            sections(),
            "section",
        ));
        return;
    }
    read_facts(log, &section.name, table, session);
}

fn read_facts(log: &mut Log, section: &str, table: &Table, session: &mut Session) {
    for (key, item) in table {
        let name = format!("{section}.{}", key.name);
        let Some(spec) = fact_spec(&name) else {
            unknown(log, section, key, item);
            continue;
        };
        let Some(value) = value(log, spec, key, item) else { continue };
        if let (FactKind::Path, FactValue::Text(file)) = (spec.kind, &value) {
            let path = session.path.parent().unwrap_or(Path::new("")).join(file);
            if !path.exists() {
                log.error(&item.place, format!("there is no file `{file}`"))
                    .cause(format!("it was looked for at {}", path.display()))
                    .remedy("name it relative to the session file");
            }
            session.calibration.insert(key.name.clone(), path);
        }
        session.facts.set(&name, value, FactOrigin::Session);
    }
}

/// A key that is not known: perhaps the right one in another unit.
fn unknown(log: &mut Log, section: &str, key: &Key, item: &Item) {
    if let Some((known, factor)) = facts::other_unit(section, &key.name) {
        let remedy = match (factor, item.number()) {
            (Some(factor), Some(number)) => format!("write `{known} = {}`", tidy(number * factor)),
            _ => format!("write `{known}`, in that unit"),
        };
        log.error(&key.place, format!("unknown key `{}` in [{section}]", key.name))
            .cause(format!("units stand in the keys, and this one is `{known}`"))
            .remedy(remedy);
        return;
    }
    let elsewhere = FACTS.iter().find(|f| f.name.split('.').nth(1) == Some(key.name.as_str()));
    let known: Vec<_> = FACTS
        .iter()
        .filter_map(|f| f.name.split_once('.'))
        .filter(|(s, _)| *s == section)
        .map(|(_, known)| known)
        .collect();
    let remedy = match elsewhere.and_then(|f| f.name.split('.').next()) {
        Some(other) => format!("it belongs under [{other}]"),
        None => suggest(&key.name, known.iter().copied(), "key"),
    };
    log.error(&key.place, format!("unknown key `{}` in [{section}]", key.name)).remedy(remedy);
}

/// A number without the noise of a conversion.
fn tidy(number: f64) -> f64 {
    format!("{number:.6e}").parse().unwrap_or(number)
}

fn value(log: &mut Log, spec: &FactSpec, key: &Key, item: &Item) -> Option<FactValue> {
    let wrong = |log: &mut Log, wanted: &str| {
        log.error(&item.place, format!("`{}` must be {wanted}", key.name)).cause(format!(
            "it is {}; it is {}",
            item.kind(),
            spec.help
        ));
        None
    };
    match (spec.kind, &item.value) {
        (FactKind::Number { min, max }, _) => {
            let Some(number) = item.number() else { return wrong(log, "a number") };
            in_range(log, spec, key, item, number, min, max).then_some(FactValue::Number(number))
        }
        (FactKind::Integer { min, max }, Value::Integer(number)) => {
            let number = *number as f64;
            in_range(log, spec, key, item, number, min as f64, max as f64).then_some(FactValue::Number(number))
        }
        (FactKind::Integer { .. }, _) => wrong(log, "a whole number"),
        (FactKind::Flag, Value::Flag(flag)) => Some(FactValue::Flag(*flag)),
        (FactKind::Flag, _) => wrong(log, "true or false"),
        (FactKind::Choice(words), Value::Text(text)) => {
            let found = words.iter().find(|w| w.eq_ignore_ascii_case(text));
            if found.is_none() {
                log.error(&item.place, format!("`{}` cannot be `{text}`", key.name)).cause(spec.help).remedy(suggest(
                    text,
                    words.iter().copied(),
                    "choice",
                ));
            }
            found.map(|w| FactValue::Text((*w).into()))
        }
        (FactKind::Text | FactKind::Path, Value::Text(text)) if !text.is_empty() => Some(FactValue::Text(text.clone())),
        _ => wrong(log, "a text"),
    }
}

fn in_range(log: &mut Log, spec: &FactSpec, key: &Key, item: &Item, number: f64, min: f64, max: f64) -> bool {
    let good = (min..=max).contains(&number);
    if !good {
        let diagnostic = log
            .error(&item.place, format!("`{}` cannot be {number}", key.name))
            .cause(format!("it is {}, from {min} to {max}", spec.help));
        if key.name == "obstruction" && number > 1.0 && number <= 90.0 {
            diagnostic.remedy(format!("for {number} % of the diameter write `obstruction = {}`", tidy(number / 100.0)));
        } else if let Some((_, unit)) = key.name.rsplit_once('_') {
            diagnostic.remedy(format!("give it in {unit}"));
        }
    }
    good
}

/// Reads a fact given on the command line: `telescope.aperture_mm=105`.
///
/// # Errors
/// What is wrong with it.
pub fn command_line_fact(text: &str) -> Result<(String, FactValue), Diagnostics> {
    let mut log = Log::default();
    let file = log.add_file(SourceText { path: "--fact".into(), text: text.into() });
    let place = |from, to| Place { file, span: from..to };
    let Some((name, raw)) = text.split_once('=') else {
        log.error(&place(0, text.len()), format!("`{text}` is not a fact"))
            .remedy("write `section.key=value`, such as `telescope.aperture_mm=105`");
        return Err(log.finish());
    };
    let at = place(name.len() + 1, text.len());
    let value_of = |text: &str| {
        let value = match text {
            "true" => Value::Flag(true),
            "false" => Value::Flag(false),
            _ => match (text.parse::<i64>(), text.parse::<f64>()) {
                (Ok(whole), _) => Value::Integer(whole),
                (_, Ok(number)) => Value::Number(number),
                _ => Value::Text(text.into()),
            },
        };
        Item { value, place: at.clone() }
    };
    let (name, raw) = (name.trim(), raw.trim());
    let (section, key_name) = name.split_once('.').unwrap_or(("", name));
    let key = Key { name: key_name.into(), place: place(0, name.len()) };
    let mut item = value_of(raw.trim_matches('"'));
    let found = match fact_spec(name) {
        Some(spec) => {
            if matches!(spec.kind, FactKind::Text | FactKind::Path | FactKind::Choice(_)) {
                item.value = Value::Text(raw.trim_matches('"').into());
            }
            value(&mut log, spec, &key, &item)
        }
        None if sections().contains(&section) && section != "notes" => {
            unknown(&mut log, section, &key, &item);
            None
        }
        None => {
            log.error(&key.place, format!("unknown fact `{name}`")).remedy(suggest(
                name,
                FACTS.iter().map(|f| f.name),
                "fact",
            ));
            None
        }
    };
    found.map(|value| (name.to_string(), value)).ok_or_else(|| log.finish())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn errors(text: &str) -> String {
        parse(Path::new("/none/x.session.toml"), text.into()).expect_err("must be refused").to_string()
    }

    #[test]
    fn facts_are_read_with_their_origin() {
        let text = "[telescope]\naperture_mm = 105\nobstruction = 0.33\n[camera]\npattern = \"bggr\"\nbits = 12\n\
                    [time]\ntrusted = true\n[mount]\nkind = \"alt-azimuth\"\n[notes]\nseeing = \"fair\"\ncups = 2\n";
        let session = parse(Path::new("x.session.toml"), text.into()).unwrap();
        assert_eq!(session.facts.number("telescope.aperture_mm"), Some(105.0));
        assert_eq!(session.facts.text("camera.pattern"), Some("BGGR"));
        assert_eq!(session.facts.number("camera.bits"), Some(12.0));
        assert_eq!(session.facts.flag("time.trusted"), Some(true));
        assert_eq!(session.facts.0["mount.kind"].origin, FactOrigin::Session);
        assert_eq!(session.notes["cups"], "2");
    }

    #[test]
    fn a_wrong_unit_is_turned_into_the_right_one() {
        let found = errors("[telescope]\naperture_cm = 10.5\n");
        assert_eq!(
            found,
            "/none/x.session.toml:2:1: unknown key `aperture_cm` in [telescope]: units stand in the keys, and this one \
             is `aperture_mm`; write `aperture_mm = 105`"
        );
        assert!(errors("[camera]\nexposure_ms = 12").contains("write `exposure_s = 0.012`"));
        assert!(errors("[camera]\npixel = 3.76").contains("write `pixel_um`, in that unit"));
        assert!(errors("[orientation]\nup_position_angle = 3").contains("write `up_position_angle_deg`"));
        assert!(errors("[telescope]\nobstruction = 33").contains("write `obstruction = 0.33`"));
    }

    #[test]
    fn all_that_is_wrong_is_told() {
        let found = errors(
            "[telescop]\na = 1\n[telescope]\naperture_mm = \"105\"\nfocal_mm = 0\npixel_um = 3\n[camera]\n\
             pattern = \"RGBG\"\nbits = 12.5\nfiltr = \"x\"\n[time]\ntrusted = 1\n[calibration]\ndark = \"no.ser\"\n",
        );
        for words in [
            "x.session.toml:1:2: unknown section [telescop]; did you mean `telescope`?",
            ":4:15: `aperture_mm` must be a number: it is a text",
            ":5:12: `focal_mm` cannot be 0: it is effective focal length",
            ":6:1: unknown key `pixel_um` in [telescope]; it belongs under [camera]",
            ":8:11: `pattern` cannot be `RGBG`",
            ":9:8: `bits` must be a whole number",
            ":10:1: unknown key `filtr` in [camera]; did you mean `filter`?",
            ":12:11: `trusted` must be true or false",
            ":14:8: there is no file `no.ser`: it was looked for at /none/no.ser",
        ] {
            assert!(found.contains(words), "{words}\n---\n{found}");
        }
        assert!(errors("aperture_mm = 105").contains("stands outside of any section; put it under [telescope]"));
        assert!(errors("[telescope]\na = 1\na = 2").contains("duplicate key `a`"));
    }

    #[test]
    fn the_command_line_speaks_the_same_words() {
        let read = |text: &str| command_line_fact(text).map_err(|e| e.to_string());
        assert_eq!(read("telescope.aperture_mm=105"), Ok(("telescope.aperture_mm".into(), FactValue::Number(105.0))));
        assert_eq!(read("target.name=jupiter"), Ok(("target.name".into(), FactValue::Text("jupiter".into()))));
        assert_eq!(read("camera.filter=742"), Ok(("camera.filter".into(), FactValue::Text("742".into()))));
        assert_eq!(read("time.trusted=false"), Ok(("time.trusted".into(), FactValue::Flag(false))));
        assert!(read("telescope.aperture_m=0.1").unwrap_err().contains("write `aperture_mm = 100`"));
        assert!(read("telescop.aperture_mm=1").unwrap_err().contains("did you mean `telescope.aperture_mm`?"));
        assert!(read("telescope").unwrap_err().contains("is not a fact"));
        assert!(read("telescope.aperture_mm=wide").unwrap_err().contains("must be a number"));
    }

    #[test]
    fn the_clips_own_session_comes_before_the_folders() {
        let folder = std::env::temp_dir().join(format!("stillair-session-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let clip = folder.join("a.ser");
        assert_eq!(beside(&clip), None);
        std::fs::write(folder.join("session.toml"), "[calibration]\ndark = \"d.ser\"\n").unwrap();
        std::fs::write(folder.join("d.ser"), "").unwrap();
        assert_eq!(beside(&clip), Some(folder.join("session.toml")));
        let session = read(&folder.join("session.toml")).unwrap();
        assert_eq!(session.calibration["dark"], folder.join("d.ser"));
        std::fs::write(folder.join("a.session.toml"), "").unwrap();
        assert_eq!(beside(&clip), Some(folder.join("a.session.toml")));
        assert!(read(&folder.join("none")).unwrap_err().to_string().contains("cannot read the session file"));
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
