//! Clips of the command line to the recipe's inputs, with what is known of each.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use stillair_api::{FactOrigin, Facts};
use stillair_engine::compile::{Given, InputDeclaration};
use stillair_engine::run::InputFile;
use stillair_engine::session::{self, Session, calibration_kinds};

use crate::arguments::Global;
use crate::failure::Failure;

/// The files of each input.
pub type Files = BTreeMap<String, Vec<InputFile>>;

/// Number of files of each input.
pub fn given(files: &Files) -> Given {
    Given { inputs: files.iter().map(|(name, files)| (name.clone(), files.len())).collect() }
}

/// Sorts clips into a recipe's inputs: `INPUT=FILE` by name, the others in the order of the inputs that must be given;
/// calibration files that are not named come from the session where the recipe has an input for them.
pub fn sort(declared: &[InputDeclaration], clips: &[PathBuf], global: &Global) -> Result<Files, Failure> {
    let named = paths(declared, clips)?;
    let mut files = Files::new();
    let (beside, of_captures): (Vec<_>, Vec<_>) =
        named.into_iter().partition(|(name, _)| declared.iter().any(|i| i.name == *name && is_calibration(i)));
    for (name, paths) in of_captures {
        let with_facts: Result<Vec<_>, Failure> = paths.into_iter().map(|path| with_facts(path, global)).collect();
        files.insert(name, with_facts?);
    }
    calibration(declared, &mut files, beside, global)?;
    Ok(files)
}

/// Sorts paths into a recipe's inputs: `INPUT=FILE` by name, the others in the order of the inputs that must be given.
pub fn paths(declared: &[InputDeclaration], clips: &[PathBuf]) -> Result<BTreeMap<String, Vec<PathBuf>>, Failure> {
    let mut named: BTreeMap<String, Vec<PathBuf>> = BTreeMap::new();
    let mut plain: Vec<PathBuf> = Vec::new();
    for clip in clips {
        match name_of(declared, clip) {
            Some((name, path)) => named.entry(name).or_default().push(path),
            None => plain.push(clip.clone()),
        }
    }
    let mut plain = plain.into_iter();
    for input in declared.iter().filter(|i| !i.optional && !named.contains_key(&i.name)).collect::<Vec<_>>() {
        let share: Vec<_> = plain.by_ref().take(if input.many { usize::MAX } else { 1 }).collect();
        if !share.is_empty() {
            named.insert(input.name.clone(), share);
        }
    }
    let left: Vec<_> = plain.map(|p| p.display().to_string()).collect();
    if !left.is_empty() {
        let names: Vec<_> = declared.iter().filter(|i| !i.optional).map(|i| format!("`{}`", i.name)).collect();
        let message = match names.len() {
            0 => "the recipe takes no clip".to_string(),
            _ => format!("the recipe takes no more clips for {}", names.join(", ")),
        };
        let remedy = match declared.iter().find(|i| i.optional) {
            Some(input) => format!("leave it out, or name its input: {}={}", input.name, left[0]),
            None => "leave it out".into(),
        };
        return Err(Failure::request(format!("{message}, but there is also {}", left.join(", ")), remedy));
    }
    Ok(named)
}

/// Whether an input is for calibration frames beside a capture.
fn is_calibration(input: &InputDeclaration) -> bool {
    input.optional && calibration_kinds().any(|kind| kind == input.name)
}

fn name_of(declared: &[InputDeclaration], clip: &Path) -> Option<(String, PathBuf)> {
    let (name, path) = clip.to_str()?.split_once('=')?;
    let known = declared.iter().any(|i| i.name == name) && !clip.exists();
    known.then(|| (name.to_string(), PathBuf::from(path)))
}

fn session_of(clip: &Path, global: &Global) -> Result<Option<Session>, Failure> {
    let path = global.session.clone().or_else(|| session::beside(clip));
    path.map(|path| session::read(&path).map_err(Failure::from)).transpose()
}

/// A clip with the facts of its session and of the command line.
fn with_facts(path: PathBuf, global: &Global) -> Result<InputFile, Failure> {
    let mut facts = session_of(&path, global)?.map(|session| session.facts).unwrap_or_default();
    command_line(&mut facts, global)?;
    Ok(InputFile { path, facts })
}

/// Adds the facts of the command line.
pub fn command_line(facts: &mut Facts, global: &Global) -> Result<(), Failure> {
    for text in &global.facts {
        let (name, value) = session::command_line_fact(text)?;
        facts.set(&name, value, FactOrigin::CommandLine);
    }
    Ok(())
}

/// Fills the inputs for calibration frames: with the files of the command line, else with those of the session of the
/// first capture.
fn calibration(
    declared: &[InputDeclaration],
    files: &mut Files,
    named: Vec<(String, Vec<PathBuf>)>,
    global: &Global,
) -> Result<(), Failure> {
    let first = declared.iter().find(|i| !i.optional).and_then(|i| files.get(&i.name)).and_then(|f| f.first());
    let first = first.cloned();
    let mut wanted: BTreeMap<String, Vec<PathBuf>> = BTreeMap::new();
    if let Some(first) = &first {
        let session = session_of(&first.path, global)?.unwrap_or_default();
        let known = |name: &str| declared.iter().any(|i| is_calibration(i) && i.name == name);
        wanted.extend(session.calibration.into_iter().filter(|(name, _)| known(name)).map(|(n, p)| (n, vec![p])));
    }
    wanted.extend(named);
    let facts = first.map(|first| first.facts).unwrap_or_default();
    for (name, paths) in wanted {
        let of = |path: PathBuf| Ok(InputFile { facts: calibration_facts(&path, &facts)?, path });
        files.insert(name, paths.into_iter().map(of).collect::<Result<_, Failure>>()?);
    }
    Ok(())
}

/// What is known of a calibration clip: its camera is that of the capture, but how long it was exposed, and at what
/// gain, only its own session file or its own header says.
fn calibration_facts(clip: &Path, capture: &Facts) -> Result<Facts, Failure> {
    let mut facts = capture.clone();
    facts.0.remove("camera.exposure_s");
    facts.0.remove("camera.gain_e_per_adu");
    if let Some(own) = session::own(clip).filter(|path| path.is_file()) {
        for (name, fact) in session::read(&own)?.facts.0 {
            facts.set(&name, fact.value, fact.origin);
        }
    }
    Ok(facts)
}
