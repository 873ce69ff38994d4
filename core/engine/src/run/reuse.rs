//! Which steps of a plan need not run, because their results are kept.

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;

use stillair_api::{ClipInfo, Context, Description, Facts, PortType, Shape, Table, Value};

use super::context::NodeContext;
use super::inputs::Clip;
use super::record::{CacheRecord, NOT_RUN, NodeRecord};
use super::report_tables::FrameTables;
use super::{Event, Events, RunRequest, inputs};
use crate::cache::{Cache, Found, Identity, Kept, Key, Stamp, first_difference};
use crate::catalogue::Catalogue;
use crate::plan::{OutputRef, Pass, Plan};

/// A fact that the engine itself puts into a table that it begins.
const EXPOSURE: &str = "camera.exposure_s";

/// Each capture with the stamps of its files.
pub(super) type Stamps = Vec<(PathBuf, Vec<(PathBuf, Option<Stamp>)>)>;

/// What a source's key is made of: hash of the capture's bytes and of what the reader says of it.
pub(super) struct Capture {
    pub blake3: String,
    pub clip: String,
}

/// The keys of a plan's nodes.
pub(super) struct Keys {
    identities: Vec<Identity>,
    keys: Vec<Key>,
}

impl Keys {
    pub fn new(
        plan: &Plan,
        catalogue: &Catalogue,
        request: &RunRequest,
        facts: &[Facts],
        clips: &HashMap<usize, Clip>,
        captures: &HashMap<usize, Capture>,
    ) -> Self {
        let mut all = Self { identities: Vec::new(), keys: Vec::new() };
        let source = inputs::sources_of(plan);
        for (index, node) in plan.nodes.iter().enumerate() {
            let description = &node.description;
            let file = catalogue.get(&description.method).and_then(|l| l.file.as_ref());
            let code = file.map_or(request.build.executable.as_str(), |f| f.blake3.as_str());
            let set = &request.build.instruction_set;
            let of = |parameters, facts: &Facts| Identity::new(description, parameters, facts, code, set);
            let mut identity = match clips.get(&index) {
                Some(clip) => of(&clip.read_as.0, &clip.read_as.1),
                None => of(&node.parameters, &facts[index]),
            };
            if let Some(capture) = captures.get(&index) {
                identity.capture = Some(capture.blake3.clone());
                identity.clip = Some(capture.clip.clone());
            }
            let links = description.inputs.iter().zip(&node.inputs);
            let begins_a_table = links.clone().all(|(port, l)| port.kind != PortType::Table || l.is_empty());
            if let (Shape::Measure, true, Some(clip)) =
                (description.shape, begins_a_table, source.get(&index).and_then(|s| clips.get(s)))
            {
                let exposure = exposure_s(clip).map_or_else(|| "unknown".into(), |s| format!("{s:?}"));
                identity.facts.insert(format!("{EXPOSURE} of the table"), exposure);
            }
            let output = |o: &OutputRef| format!("{}.{}", all.keys[o.node], o.port);
            identity.inputs =
                links.map(|(port, outputs)| (port.name.clone(), outputs.iter().map(output).collect())).collect();
            all.keys.push(identity.key());
            all.identities.push(identity);
        }
        all
    }
}

impl Keys {
    /// The keys, in the order of the plan's nodes.
    pub fn all(&self) -> &[Key] {
        &self.keys
    }
}

/// The exposure that a table of a clip's frames begins with.
pub(super) fn exposure_s(clip: &Clip) -> Option<f64> {
    clip.facts.number(EXPOSURE).or(clip.reader.info().exposure_s)
}

/// Hash of what a reader says of a clip, without its remarks.
pub(super) fn clip_hash(info: &ClipInfo) -> String {
    let said = ClipInfo { notes: Vec::new(), ..info.clone() };
    let text = serde_json::to_string(&said).unwrap_or_default();
    blake3::hash(text.as_bytes()).to_hex().to_string()
}

/// Whether the code has an identity: 64 hexadecimal digits. Without one nothing can be kept.
fn is_known(build: &super::Build) -> bool {
    Key::parse(&build.executable).is_some()
}

/// The cache at work for one run.
pub(super) struct Reuse<'a> {
    plan: &'a Plan,
    keys: &'a Keys,
    cache: Option<Arc<Cache>>,
    /// The captures as they were before they were hashed.
    stamps: Stamps,
    events: &'a dyn Events,
    /// What the earlier results say of why each node has to run.
    reasons: Vec<Option<String>>,
    /// Maps whose words are kept, or were already.
    told: Vec<bool>,
    pub record: CacheRecord,
}

/// Kept outputs of a node.
pub(super) type Outputs = Vec<(OutputRef, Value)>;

impl<'a> Reuse<'a> {
    pub fn new(plan: &'a Plan, keys: &'a Keys, request: &RunRequest, stamps: Stamps, events: &'a dyn Events) -> Self {
        let cache = request.cache.clone().filter(|_| is_known(&request.build));
        let record = CacheRecord { used: cache.is_some(), ..CacheRecord::default() };
        let told = vec![false; plan.nodes.len()];
        let mut reuse = Self { plan, keys, cache, stamps, events, reasons: Vec::new(), told, record };
        reuse.reasons = (0..plan.nodes.len()).map(|node| reuse.reason(node)).collect();
        reuse
    }

    /// Notes the keys.
    pub fn note_keys(&self, records: &mut [NodeRecord]) {
        for (record, key) in records.iter_mut().zip(&self.keys.keys) {
            record.key = Some(key.to_string());
        }
    }

    /// Why a node will have to run, as far as that is known before; looked up before the run adds results of its own.
    fn reason(&self, index: usize) -> Option<String> {
        let (node, identity, cache) = (&self.plan.nodes[index], &self.keys.identities[index], self.cache.as_ref()?);
        match node.description.shape {
            Shape::Source | Shape::Map | Shape::Sink => None,
            _ if cache.has(identity, self.keys.keys[index]) => None,
            _ => Some(match cache.nearest(&node.step, identity) {
                Some(earlier) => match first_difference(identity, &earlier) {
                    Some(difference) => self.with_giver(index, difference),
                    None => "the kept result is gone".into(),
                },
                None => format!("no result of {} is kept yet", node.description.method),
            }),
        }
    }

    /// Names the steps that give an input that is another.
    fn with_giver(&self, index: usize, difference: String) -> String {
        let node = &self.plan.nodes[index];
        let ports = node.description.inputs.iter().zip(&node.inputs);
        let port = ports.into_iter().find(|(port, _)| difference.starts_with(&format!("input `{}`", port.name)));
        let Some((_, outputs)) = port.filter(|(_, outputs)| !outputs.is_empty()) else { return difference };
        let givers: Vec<String> = outputs.iter().map(|o| format!("`{}`", self.plan.nodes[o.node].step)).collect();
        format!("{difference}, from {}", givers.join(", "))
    }

    /// Words for a node that ran.
    pub fn why(&self, index: usize) -> String {
        match (self.plan.nodes[index].description.shape, &self.reasons[index]) {
            _ if self.cache.is_none() => "ran".into(),
            (Shape::Sink, _) => "ran: files are always written anew".into(),
            (Shape::Source | Shape::Map, _) => "ran: frames are never kept".into(),
            (_, Some(reason)) => format!("ran: {reason}"),
            (_, None) => "ran: the kept result was damaged, or went away".into(),
        }
    }

    /// The kept outputs of a node; what it told is told again, and columns that it took over from tables, finished
    /// before or kept `beside`, are shared with them again.
    pub fn load(
        &mut self,
        index: usize,
        tables: &FrameTables,
        beside: &[(OutputRef, Value)],
        context: &NodeContext<'_>,
        record: &mut NodeRecord,
    ) -> Option<Outputs> {
        let node = &self.plan.nodes[index];
        let kept = self.kept(index)?;
        let table = |output: &OutputRef| {
            let found = beside.iter().find(|(o, _)| o == output).map(|(_, value)| value);
            if let Some(Value::Table(table)) = found { Some(table) } else { tables.table(*output) }
        };
        let inputs: Vec<&Table> = node.inputs.iter().flatten().filter_map(table).map(AsRef::as_ref).collect();
        let shared = |value: Value| match value {
            Value::Table(table) => Value::Table(Arc::new(table.sharing(&inputs))),
            other => other,
        };
        let values = kept.outputs.into_iter().map(shared).enumerate();
        let outputs = values.map(|(port, value)| (OutputRef { node: index, port }, value)).collect();
        tell(kept.entries, kept.warnings, context);
        record.why = "reused".into();
        record.reused = true;
        self.record.hits += 1;
        Some(outputs)
    }

    /// What a node left, if it is whole.
    fn kept(&mut self, index: usize) -> Option<Kept> {
        let (cache, identity) = (self.cache.as_ref()?, &self.keys.identities[index]);
        match cache.load(identity, self.keys.keys[index]) {
            Found::Hit(kept, bytes) => {
                self.record.bytes_read += bytes;
                fits(&self.plan.nodes[index].description, &kept).then_some(*kept)
            }
            Found::Damaged => {
                let step = self.plan.nodes[index].step.clone();
                let text = "its kept result was damaged and is worked out again".into();
                self.events.event(&Event::Note { step, text });
                None
            }
            Found::Missing => None,
        }
    }

    /// Takes from a pass what is kept: the outputs, and the rest of the pass, if any, that has to run.
    pub fn divide(
        &mut self,
        pass: &Pass,
        tables: &FrameTables,
        contexts: &[NodeContext<'_>],
        records: &mut [NodeRecord],
    ) -> (Outputs, Option<Pass>) {
        if self.cache.is_none() {
            return (Vec::new(), Some(pass.clone()));
        }
        let shape = |node: usize| self.plan.nodes[node].description.shape;
        let maps: Vec<usize> = pass.nodes.iter().copied().filter(|n| shape(*n) == Shape::Map).collect();
        let ends: Vec<usize> = pass.nodes.iter().copied().filter(|n| shape(*n) != Shape::Map).collect();
        // A map's frames are never kept, but what it told is: without it a record would lack it.
        let mut silent: Vec<usize> = Vec::new();
        for &map in &maps {
            match self.kept(map) {
                Some(kept) => {
                    self.told[map] = true;
                    tell(kept.entries, kept.warnings, &contexts[map]);
                }
                None => silent.push(map),
            }
        }
        let (mut outputs, mut missing) = (Vec::new(), Vec::new());
        for end in ends {
            let lacks_words = upstream_maps(self.plan, pass, &[end]).iter().any(|map| silent.contains(map));
            let wanted = !lacks_words && self.plan.nodes[end].description.shape != Shape::Sink;
            let found = wanted.then(|| self.load(end, tables, &outputs, &contexts[end], &mut records[end])).flatten();
            match found {
                Some(found) => outputs.extend(found),
                None => missing.push(end),
            }
        }
        let mut needed = upstream_maps(self.plan, pass, &missing);
        for map in maps.iter().filter(|map| !needed.contains(map)) {
            let why = &mut records[*map].why;
            if why == NOT_RUN {
                *why = "not needed: all that reads its frames was reused".into();
            }
        }
        if missing.is_empty() {
            let why = &mut records[pass.source].why;
            if why == NOT_RUN {
                *why = "not read: all that needs its frames was reused".into();
            }
            return (outputs, None);
        }
        needed.extend(missing);
        let nodes = pass.nodes.iter().copied().filter(|n| needed.contains(n)).collect();
        (outputs, Some(Pass { source: pass.source, nodes }))
    }

    /// Keeps what nodes gave, and what they and the maps among them told.
    pub fn save(&mut self, nodes: &[usize], outputs: &[(OutputRef, Value)], contexts: &[NodeContext<'_>]) {
        let Some(cache) = self.cache.clone() else { return };
        for &index in nodes {
            let node = &self.plan.nodes[index];
            let is_map = node.description.shape == Shape::Map;
            if matches!(node.description.shape, Shape::Source | Shape::Sink) || (is_map && self.told[index]) {
                continue;
            }
            let (entries, warnings) = contexts[index].told();
            let own = outputs.iter().filter(|(output, _)| output.node == index);
            let kept = Kept { outputs: own.map(|(_, value)| value.clone()).collect(), entries, warnings };
            self.record.misses += usize::from(!is_map);
            self.told[index] = true;
            if self.captures_changed() {
                cache.stop("a capture changed while it was read: nothing of this run is kept".into());
            }
            if fits(&node.description, &kept) {
                let (identity, key) = (&self.keys.identities[index], self.keys.keys[index]);
                self.record.bytes_written += cache.store(&node.step, identity, key, &kept);
            }
        }
        if let (Some(trouble), None) = (cache.trouble(), &self.record.trouble) {
            let text = format!("results are not kept in {}: {trouble}", cache.folder().display());
            self.events.event(&Event::Note { step: "cache".into(), text });
            self.record.trouble = Some(trouble);
        }
    }

    fn captures_changed(&self) -> bool {
        self.stamps.iter().any(|(path, before)| Stamp::of_all(path) != *before)
    }
}

/// Tells again what a node told when it worked.
fn tell(entries: Vec<stillair_api::Entry>, warnings: Vec<String>, context: &NodeContext<'_>) {
    entries.into_iter().for_each(|entry| context.record(entry));
    warnings.iter().for_each(|text| context.warn(text));
}

/// Whether kept values are those that a description promises.
fn fits(description: &Description, kept: &Kept) -> bool {
    if description.shape == Shape::Map {
        return kept.outputs.is_empty();
    }
    let kind = |value: &Value| match value {
        Value::Table(_) => PortType::Table,
        Value::Motion(_) => PortType::Motion,
        Value::Image(_) => PortType::Image,
        Value::Record(_) => PortType::Record,
    };
    kept.outputs.iter().map(kind).eq(description.outputs.iter().map(|port| port.kind))
}

/// The maps of a pass that nodes stand on.
fn upstream_maps(plan: &Plan, pass: &Pass, ends: &[usize]) -> Vec<usize> {
    let mut found = Vec::new();
    let mut queue = ends.to_vec();
    while let Some(node) = queue.pop() {
        for above in plan.nodes[node].inputs.iter().flatten().map(|o| o.node) {
            let is_map = plan.nodes[above].description.shape == Shape::Map && pass.nodes.contains(&above);
            if is_map && !found.contains(&above) {
                found.push(above);
                queue.push(above);
            }
        }
    }
    found
}
