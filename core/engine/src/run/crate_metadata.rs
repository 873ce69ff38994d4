//! `ro-crate-metadata.json`: the run's facts as a Provenance Run Crate.
//!
//! Profiles: Workflow Run RO-Crate 0.5, <https://w3id.org/ro/wfrun/provenance/0.5>, on RO-Crate 1.1,
//! <https://w3id.org/ro/crate/1.1>. The recipe is the workflow, a method the tool, a step of the recipe a `HowToStep`,
//! a step that ran a `CreateAction` under a `ControlAction`, the engine the organizer. Values between steps were never
//! files, so they stand as works without a file; captures lie elsewhere and are known by their hashes. No path, host
//! or person is named.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::{Map, Value, json};
use stillair_api::{Node, Outcome};

use super::output::{io_fault, write_whole};
use super::record::{NodeRecord, RunRecord};
use crate::plan::Plan;

/// Name of the file.
pub(super) const FILE: &str = "ro-crate-metadata.json";

const WORKFLOW: &str = "recipe.toml";
const ENGINE: &str = "urn:stillair:engine";
const PROFILES: [(&str, &str, &str); 4] = [
    ("https://w3id.org/ro/wfrun/process/0.5", "Process Run Crate", "0.5"),
    ("https://w3id.org/ro/wfrun/workflow/0.5", "Workflow Run Crate", "0.5"),
    ("https://w3id.org/ro/wfrun/provenance/0.5", "Provenance Run Crate", "0.5"),
    ("https://w3id.org/workflowhub/workflow-ro-crate/1.0", "Workflow RO-Crate", "1.0"),
];

/// For each step that writes, the file of `results/` that it writes.
pub(super) fn files_of_sinks(plan: &Plan, nodes: &[Option<Node>]) -> BTreeMap<String, String> {
    let written = plan.nodes.iter().zip(nodes).filter_map(|(node, made)| match made {
        Some(Node::Sink(sink)) => {
            let file = format!("results/{}.{}", sink.file_stem(), node.description.extension);
            Some((node.step.clone(), file))
        }
        _ => None,
    });
    written.collect()
}

/// Writes the file for a run folder that is whole but for it.
///
/// # Errors
/// If the folder cannot be read or written.
pub(super) fn write(folder: &Path, record: &RunRecord, sinks: &BTreeMap<String, String>) -> Outcome<()> {
    let mut files = Vec::new();
    for place in ["", "results", "tables"] {
        let inside = folder.join(place);
        let Ok(entries) = std::fs::read_dir(&inside) else { continue };
        for entry in entries {
            let path = entry.map_err(|e| io_fault(&e, &inside))?.path();
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if path.is_file() && !name.starts_with('.') && name != FILE {
                let bytes = path.metadata().map_err(|e| io_fault(&e, &path))?.len();
                files.push((if place.is_empty() { name } else { format!("{place}/{name}") }, bytes));
            }
        }
    }
    files.sort();
    let text = serde_json::to_vec_pretty(&crate_of(record, sinks, &files)).unwrap_or_default();
    write_whole(folder, FILE, &text).map(|_| ())
}

/// The graph for a record; `files` are those of the folder with their sizes.
fn crate_of(record: &RunRecord, sinks: &BTreeMap<String, String>, files: &[(String, u64)]) -> Value {
    let graph = Graph { record, sinks, files: files.iter().map(|(name, _)| name.as_str()).collect() };
    let mut entities = vec![graph.descriptor(), graph.root()];
    entities
        .extend(PROFILES.map(
            |(id, name, version)| json!({ "@id": id, "@type": "CreativeWork", "name": name, "version": version }),
        ));
    entities.push(json!({
        "@id": "#licence", "@type": "CreativeWork", "name": "Not stated",
        "description": "Whoever made the captures decides what may be done with these files",
    }));
    entities.extend(graph.workflow());
    entities.extend(files.iter().filter(|(name, _)| name != WORKFLOW).map(|(name, bytes)| graph.file(name, *bytes)));
    entities.extend(graph.captures());
    entities.extend(graph.tools());
    entities.extend(record.nodes.iter().enumerate().flat_map(|(index, node)| graph.step(index, node)));
    entities.extend(graph.run());
    entities.iter_mut().for_each(flat);
    json!({
        "@context": [
            "https://w3id.org/ro/crate/1.1/context",
            { "resourceUsage": "https://w3id.org/ro/terms/workflow-run#resourceUsage" },
        ],
        "@graph": entities,
    })
}

/// One value stands alone, none is left out: so the specification wants it.
fn flat(entity: &mut Value) {
    let Some(fields) = entity.as_object_mut() else { return };
    fields.retain(|_, value| !matches!(value, Value::Array(list) if list.is_empty()));
    for value in fields.values_mut() {
        if let Value::Array(list) = value
            && list.len() == 1
        {
            *value = list.remove(0);
        }
    }
}

struct Graph<'r> {
    record: &'r RunRecord,
    sinks: &'r BTreeMap<String, String>,
    files: BTreeSet<&'r str>,
}

fn link(id: impl Into<String>) -> Value {
    json!({ "@id": id.into() })
}

/// An identifier within the crate. Brackets of steps that run once for each clip cannot stand in one.
fn local(kind: &str, name: &str) -> String {
    format!("#{kind}-{}", name.replace(['[', ']'], "."))
}

fn tool_id(node: &NodeRecord) -> String {
    format!("urn:stillair:method:{}:{}", node.method, node.version)
}

/// Media types by the ending of a name; those without a registered one are told as such.
fn media_type(name: &str) -> &'static str {
    match name.rsplit('.').next().unwrap_or_default() {
        "json" => "application/json",
        "toml" => "application/toml",
        "html" => "text/html",
        "csv" => "text/csv",
        "png" => "image/png",
        "tif" => "image/tiff",
        "jpg" => "image/jpeg",
        "fits" => "image/fits",
        _ => "application/octet-stream",
    }
}

impl Graph<'_> {
    fn descriptor(&self) -> Value {
        json!({
            "@id": FILE, "@type": "CreativeWork", "about": link("./"),
            "conformsTo": [link("https://w3id.org/ro/crate/1.1"), link(PROFILES[3].0)],
        })
    }

    fn root(&self) -> Value {
        let record = self.record;
        let ended = record.finished.as_deref().unwrap_or(&record.started);
        let actions = record.nodes.iter().map(|n| link(local("action", &n.step)));
        let mentions: Vec<Value> = [link("#run")].into_iter().chain(actions).collect();
        let parts: Vec<Value> = self.files.iter().map(|name| link(*name)).collect();
        json!({
            "@id": "./", "@type": "Dataset",
            "name": format!("Run {}", record.run),
            "description": format!("{}; {}", record.recipe.name, record.recipe.summary),
            "datePublished": ended,
            "license": link("#licence"),
            "conformsTo": PROFILES.map(|(id, ..)| link(id)),
            "hasPart": parts, "mainEntity": link(WORKFLOW), "mentions": mentions,
        })
    }

    fn workflow(&self) -> Vec<Value> {
        let record = self.record;
        let tools: BTreeSet<String> = record.nodes.iter().map(tool_id).collect();
        let mut inputs: Vec<&str> = record.inputs.iter().map(|i| i.input.as_str()).collect();
        inputs.dedup();
        let outputs: Vec<&String> = self.sinks.keys().collect();
        let parameter = |kind: &str, name: &str| {
            let id = local(kind, name);
            json!({ "@id": id, "@type": "FormalParameter", "additionalType": "File", "name": name })
        };
        let workflow = json!({
            "@id": WORKFLOW, "@type": ["File", "SoftwareSourceCode", "ComputationalWorkflow", "HowTo"],
            "name": record.recipe.name, "description": record.recipe.summary,
            "encodingFormat": media_type(WORKFLOW), "version": record.recipe.blake3,
            "programmingLanguage": link("#recipe-format"),
            "input": inputs.iter().map(|name| link(local("input", name))).collect::<Vec<_>>(),
            "output": outputs.iter().map(|name| link(local("output", name))).collect::<Vec<_>>(),
            "hasPart": tools.into_iter().map(link).collect::<Vec<_>>(),
            "step": record.nodes.iter().map(|n| link(local("step", &n.step))).collect::<Vec<_>>(),
        });
        let language = json!({
            "@id": "#recipe-format", "@type": "ComputerLanguage", "name": "Stillair recipe",
            "version": crate::compile::SCHEMA.to_string(),
        });
        let inputs = inputs.iter().map(|name| parameter("input", name));
        let outputs = outputs.iter().map(|name| parameter("output", name));
        [workflow, language].into_iter().chain(inputs).chain(outputs).collect()
    }

    fn file(&self, name: &str, bytes: u64) -> Value {
        let mut entity = json!({
            "@id": name, "@type": "File", "name": name, "contentSize": bytes.to_string(),
            "encodingFormat": media_type(name),
        });
        if let Some(written) = self.record.results.iter().find(|w| w.file == name) {
            entity["identifier"] = format!("blake3:{}", written.blake3).into();
        }
        let examples: Vec<Value> =
            self.sinks.iter().filter(|(_, file)| *file == name).map(|(step, _)| link(local("output", step))).collect();
        if !examples.is_empty() {
            entity["exampleOfWork"] = examples.into();
        }
        entity
    }

    fn captures(&self) -> impl Iterator<Item = Value> {
        self.record.inputs.iter().enumerate().map(|(index, input)| {
            json!({
                "@id": format!("#capture-{}", index + 1), "@type": "CreativeWork",
                "name": format!("capture for the input {}", input.input),
                "contentSize": input.bytes.to_string(), "identifier": format!("blake3:{}", input.blake3),
                "exampleOfWork": link(local("input", &input.input)),
            })
        })
    }

    fn tools(&self) -> Vec<Value> {
        let mut tools: BTreeMap<String, Value> = BTreeMap::new();
        for node in &self.record.nodes {
            let names =
                node.parameters.0.keys().map(|name| link(local("parameter", &format!("{}.{name}", node.method))));
            tools.entry(tool_id(node)).or_insert_with(|| {
                json!({
                    "@id": tool_id(node), "@type": "SoftwareApplication", "name": node.method,
                    "softwareVersion": format!("{} of {} {}", node.version, node.plugin, node.plugin_version),
                    "input": names.collect::<Vec<_>>(),
                })
            });
            for name in node.parameters.0.keys() {
                let id = local("parameter", &format!("{}.{name}", node.method));
                let entity = json!({
                    "@id": id, "@type": "FormalParameter", "additionalType": "PropertyValue", "name": name,
                });
                tools.entry(id).or_insert(entity);
            }
        }
        tools.into_values().collect()
    }

    /// A step, its parameters, what it made, and what was done.
    fn step(&self, index: usize, node: &NodeRecord) -> Vec<Value> {
        let step = json!({
            "@id": local("step", &node.step), "@type": "HowToStep", "name": node.step,
            "position": index.to_string(), "workExample": link(tool_id(node)),
        });
        let mut entities = vec![step];
        let mut taken: Vec<Value> = Vec::new();
        for (name, value) in &node.parameters.0 {
            let id = local("value", &format!("{}.{name}", node.step));
            taken.push(link(id.clone()));
            entities.push(json!({
                "@id": id, "@type": "PropertyValue", "name": name, "value": value,
                "exampleOfWork": link(local("parameter", &format!("{}.{name}", node.method))),
            }));
        }
        for from in node.links.iter().filter_map(|l| l.split_once(" <- ")).map(|(_, from)| from) {
            taken.push(link(local("made", from)));
        }
        let number = self.record.nodes[..index].iter().filter(|n| n.shape == stillair_api::Shape::Source).count();
        if node.shape == stillair_api::Shape::Source && number < self.record.inputs.len() {
            taken.push(link(format!("#capture-{}", number + 1)));
        }
        let mut made: BTreeSet<String> = BTreeSet::new();
        let start = format!("{}.", node.step);
        let links = self.record.nodes.iter().flat_map(|n| &n.links);
        for from in links.filter_map(|l| l.split_once(" <- ")).map(|(_, from)| from) {
            if from.starts_with(&start) && made.insert(local("made", from)) {
                entities.push(json!({
                    "@id": local("made", from), "@type": "CreativeWork", "name": from,
                    "description": "a value between steps, never a file",
                }));
            }
        }
        made.extend(self.sinks.get(&node.step).filter(|f| self.files.contains(f.as_str())).cloned());
        let failed = self.record.error.as_ref().is_some_and(|e| e.step.as_deref() == Some(&node.step));
        let status = match (failed, node.why.as_str()) {
            (true, _) => "FailedActionStatus",
            (false, "not run") => "PotentialActionStatus",
            _ => "CompletedActionStatus",
        };
        let mut action = json!({
            "@id": local("action", &node.step), "@type": "CreateAction",
            "name": format!("Step {}", node.step), "description": format!("{}, {}", node.method, node.why),
            "instrument": link(tool_id(node)), "object": taken,
            "result": made.into_iter().map(link).collect::<Vec<_>>(),
            "actionStatus": format!("http://schema.org/{status}"),
        });
        if let (true, Some(error)) = (failed, &self.record.error) {
            action["error"] = error.kind.into();
        }
        entities.push(action);
        entities.push(json!({
            "@id": local("control", &node.step), "@type": "ControlAction",
            "name": format!("Orchestration of the step {}", node.step),
            "instrument": link(local("step", &node.step)), "object": link(local("action", &node.step)),
        }));
        entities
    }

    /// The run as a whole, the program, and what it used.
    fn run(&self) -> Vec<Value> {
        let record = self.record;
        let results: Vec<Value> = record
            .results
            .iter()
            .filter(|w| self.files.contains(w.file.as_str()))
            .map(|w| link(w.file.clone()))
            .collect();
        let captures: Vec<Value> = (1..=record.inputs.len()).map(|n| link(format!("#capture-{n}"))).collect();
        let status = if record.status == "done" { "CompletedActionStatus" } else { "FailedActionStatus" };
        let mut run = Map::from_iter([
            ("@id".to_string(), json!("#run")),
            ("@type".to_string(), json!("CreateAction")),
            ("name".to_string(), json!(format!("Run of the recipe {}", record.recipe.name))),
            ("description".to_string(), json!(record.recipe.summary)),
            ("instrument".to_string(), link(WORKFLOW)),
            ("object".to_string(), captures.into()),
            ("result".to_string(), results.into()),
            ("startTime".to_string(), json!(record.started)),
            ("actionStatus".to_string(), json!(format!("http://schema.org/{status}"))),
        ]);
        let mut organize = json!({
            "@id": "#organize", "@type": "OrganizeAction", "name": "Carrying out the recipe",
            "instrument": link(ENGINE), "result": link("#run"), "startTime": record.started,
            "object": record.nodes.iter().map(|n| link(local("control", &n.step))).collect::<Vec<_>>(),
        });
        if let Some(finished) = &record.finished {
            run.insert("endTime".into(), json!(finished));
            organize["endTime"] = json!(finished);
        }
        if let Some(error) = &record.error {
            run.insert("error".into(), json!(error.kind));
        }
        let mut entities = vec![
            json!({
                "@id": ENGINE, "@type": "SoftwareApplication", "name": "stillair",
                "softwareVersion": record.build.version, "identifier": format!("blake3:{}", record.build.executable),
            }),
            organize,
        ];
        if let Some(peak) = record.memory.peak_bytes {
            run.insert("resourceUsage".into(), link("#peak-memory"));
            entities.push(json!({
                "@id": "#peak-memory", "@type": "PropertyValue", "name": "peak resident memory",
                "propertyID": "urn:stillair:peak-memory", "value": peak.to_string(), "unitText": "byte",
                // UN/CEFACT Recommendation 20 codes a byte as AD.
                "unitCode": "AD",
            }));
        }
        entities.push(Value::Object(run));
        entities
    }
}
