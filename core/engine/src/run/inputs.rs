//! Opening a recipe's inputs: hashes, clips, and the facts of each.

use std::collections::HashMap;
use std::fs::File;
use std::path::{Path, PathBuf};

use serde::Serialize;
use stillair_api::{ClipInfo, FactOrigin, FactValue, Facts, Fault, FrameReader, Layout, Node, Outcome, Parameters};

use super::calibration;
use super::context::NodeContext;
use super::output::{hash_reader, io_fault};
use super::{InputFile, RunRequest};
use crate::cache::Memo;
use crate::catalogue::Catalogue;
use crate::plan::{Plan, PlanNode};

/// An input as the record shows it.
#[derive(Debug, Clone, Serialize)]
pub(super) struct InputRecord {
    /// The recipe's input.
    pub input: String,
    /// File name as given.
    pub file: String,
    /// Size of all files together.
    pub bytes: u64,
    /// Hash of the content (for a folder: of its files' names and hashes in order).
    pub blake3: String,
    /// What the reader says of the clip, without the times.
    pub clip: serde_json::Value,
    /// Facts and where each came from.
    pub facts: Facts,
}

/// An open clip.
pub(super) struct Clip {
    pub reader: Box<dyn FrameReader>,
    pub facts: Facts,
    /// What the reader was made from: parameters and facts.
    pub read_as: (Parameters, Facts),
}

/// Size and hash of a file, or of a folder's files.
///
/// # Errors
/// If a file cannot be read, or once `stop` says so: a large clip takes long to hash.
pub(super) fn hash_input(path: &Path, memo: Option<&Memo>, stop: &dyn Fn() -> bool) -> Outcome<(u64, String)> {
    if path.is_dir() {
        let mut names: Vec<PathBuf> = Vec::new();
        for entry in std::fs::read_dir(path).map_err(|e| io_fault(&e, path))? {
            let entry = entry.map_err(|e| io_fault(&e, path))?.path();
            if entry.is_file() {
                names.push(entry);
            }
        }
        names.sort();
        let mut hasher = blake3::Hasher::new();
        let mut total = 0;
        for name in names {
            let (bytes, hash) = hash_input(&name, memo, stop)?;
            hasher.update(name.file_name().unwrap_or_default().as_encoded_bytes()).update(hash.as_bytes());
            total += bytes;
        }
        return Ok((total, hasher.finalize().to_hex().to_string()));
    }
    match memo {
        Some(memo) => memo.hash(path, || hash_file(path, stop)),
        None => hash_file(path, stop),
    }
}

fn hash_file(path: &Path, stop: &dyn Fn() -> bool) -> Outcome<(u64, String)> {
    let mut file = File::open(path).map_err(|e| {
        let fault = io_fault(&e, path);
        if e.kind() == std::io::ErrorKind::NotFound {
            Fault::request(format!("{}: there is no such file", path.display())).remedy("check the path")
        } else {
            fault
        }
    })?;
    hash_reader(&mut file, stop).map_err(|e| if stop() { Fault::cancelled() } else { io_fault(&e, path) })
}

/// The file of a source node, if it reads one.
pub(super) fn file_of<'r>(request: &'r RunRequest, node: &PlanNode) -> Outcome<Option<&'r InputFile>> {
    let Some((input, number)) = &node.file else { return Ok(None) };
    let file = request.inputs.get(input).and_then(|files| files.get(*number));
    file.map(Some).ok_or_else(|| Fault::request(format!("no file is given for the recipe's input `{input}`")))
}

/// Opens a source node's clip and completes its facts from the clip's own header. A clip of calibration frames is read
/// as its capture is, where both are raw samples.
pub(super) fn open(
    catalogue: &Catalogue,
    node: &PlanNode,
    file: Option<&InputFile>,
    capture: Option<&ClipInfo>,
    context: &NodeContext<'_>,
) -> Outcome<Clip> {
    let mut facts = file.map(|f| f.facts.clone()).unwrap_or_default();
    let paths: Vec<PathBuf> = file.iter().map(|f| f.path.clone()).collect();
    let read = |node: &PlanNode, facts: &Facts| {
        let Node::Source(source) = create(catalogue, node, facts)? else {
            return Err(Fault::internal(format!("{} does not make a source", node.description.method)));
        };
        source.open(context, &paths)
    };
    let mut reader = read(node, &facts)?;
    let mut read_as = (node.parameters.clone(), facts.clone());
    if let Some(capture) = capture
        && let Some((node, bits)) = calibration::like_the_capture(node, reader.info(), capture)
    {
        let mut facts = facts.clone();
        facts.set("camera.bits", FactValue::Number(f64::from(bits)), FactOrigin::Session);
        reader = read(&node, &facts)?;
        read_as = (node.parameters, facts);
    }
    let info = reader.info();
    if info.frames == 0 {
        let name = file.map_or_else(|| node.step.clone(), |f| f.path.display().to_string());
        return Err(Fault::data(format!("{name}: the clip has no frames")));
    }
    header_facts(info, &mut facts);
    Ok(Clip { reader, facts, read_as })
}

fn header_facts(info: &ClipInfo, facts: &mut Facts) {
    if let Some(exposure) = info.exposure_s {
        facts.set("camera.exposure_s", FactValue::Number(exposure), FactOrigin::Header);
    }
    let gain = info.header.get("gain_e_per_adu").and_then(|text| text.parse().ok());
    if let Some(gain) = gain.filter(|gain: &f64| *gain > 0.0 && gain.is_finite()) {
        facts.set("camera.gain_e_per_adu", FactValue::Number(gain), FactOrigin::Header);
    }
    facts.set("camera.bits", FactValue::Number(f64::from(info.bits)), FactOrigin::Header);
    if let Layout::Mosaic(pattern) = info.layout {
        facts.set("camera.pattern", FactValue::Text(pattern.letters().into()), FactOrigin::Header);
    }
}

/// Makes a node with the facts its description names.
pub(super) fn create(catalogue: &Catalogue, node: &PlanNode, facts: &Facts) -> Outcome<Node> {
    let name = &node.description.method;
    let listed = catalogue.get(name).ok_or_else(|| Fault::internal(format!("the method {name} is not at hand")))?;
    listed.method.create(&node.parameters, &facts.only(&node.description.facts))
}

/// The source that each node's data comes from (the first one, where there are several).
pub(super) fn sources_of(plan: &Plan) -> HashMap<usize, usize> {
    let mut sources = HashMap::new();
    for (index, node) in plan.nodes.iter().enumerate() {
        if node.description.shape == stillair_api::Shape::Source {
            sources.insert(index, index);
            continue;
        }
        let upstream = node.inputs.iter().flatten().find_map(|o| sources.get(&o.node).copied());
        if let Some(source) = upstream {
            sources.insert(index, source);
        }
    }
    sources
}
