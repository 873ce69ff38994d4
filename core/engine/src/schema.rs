//! What editors and other programs need to know of recipes and sessions, made from the catalogue: JSON schemas
//! (draft-07, <https://json-schema.org/draft-07>) and the catalogue itself as JSON.
//!
//! A step's keys depend on its `use`, which the schema says with one `if`/`then` for each method: it gives the precise
//! complaint. Editors that complete without evaluating conditions find every key of every method beside it.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};
use stillair_api::{Description, Parameter, ParameterKind, Port, Shape, contract};

use crate::catalogue::Catalogue;
use crate::compile::{READER, SCHEMA};
use crate::session::{FACTS, FactKind};

const DRAFT: &str = "http://json-schema.org/draft-07/schema#";
/// What the compiler takes for the name of a step, an input, a result, a variant or a recipe.
const NAME: &str = "^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$";
const LINK: &str = "^@[A-Za-z0-9][A-Za-z0-9_-]*(\\.[A-Za-z0-9_-]+)?$";

/// The JSON schema of a recipe for the methods at hand.
///
/// It knows names, types, ranges and which ports must be linked; that a link leads to something of the right type only
/// the compiler can tell.
pub fn recipe_schema(catalogue: &Catalogue) -> Value {
    let all: Vec<&Description> = catalogue.all().map(|l| &l.description).collect();
    let mut definitions = Map::new();
    for description in &all {
        definitions.insert(description.method.clone(), method(description));
    }
    definitions.insert("link".into(), json!({ "type": "string", "pattern": LINK }));
    definitions.insert("name".into(), json!({ "type": "string", "pattern": NAME }));
    definitions.insert("step".into(), step(&all));
    definitions.insert("complete-step".into(), complete_step(&all));
    definitions.insert("input".into(), input(catalogue));
    definitions.insert("expectation".into(), expectation(&all));
    let each = |what: &str| json!({ "$ref": format!("#/definitions/{what}") });
    let table = |help: &str, of: Value| {
        json!({
            "type": "object", "description": help,
            "propertyNames": { "pattern": NAME }, "additionalProperties": of,
        })
    };
    let change = json!({ "type": "object", "additionalProperties": each("step") });
    json!({
        "$schema": DRAFT,
        "title": "Stillair recipe",
        "description": "How a clip becomes a picture: inputs, steps and the results that are kept",
        "type": "object",
        "properties": {
            "schema": { "const": SCHEMA, "description": "version of the recipe format" },
            "name": { "type": "string", "pattern": NAME, "description": "name of the recipe; run folders carry it" },
            "summary": { "type": "string", "description": "one line that says what the recipe is for" },
            "extends": {
                "type": "string", "description": "recipe to start from: one that ships, or NAME.toml beside this file",
            },
            "without": {
                "type": "array", "items": each("name"),
                "description": "steps and results of the extended recipe to leave out",
            },
            "inputs": table("what must be given to run the recipe", each("input")),
            "step": table("the steps, in any order; links decide what comes first", each("step")),
            "results": table("images and tables to keep, each written to a file of its name", each("link")),
            "variant": table("alternatives that `compare` runs: NAME.STEP.KEY = value", change),
            "expect": {
                "type": "array", "items": each("expectation"),
                "description": "checks that the recipe brings along: a recorded number against bounds",
            },
        },
        "required": ["schema"],
        "additionalProperties": false,
        "dependencies": { "without": ["extends"] },
        "if": { "required": ["extends"] },
        "else": { "properties": { "step": { "additionalProperties": each("complete-step") } } },
        "definitions": definitions,
    })
}

/// A step, perhaps of a recipe that extends another and changes a few keys only.
fn step(all: &[&Description]) -> Value {
    let methods: Vec<&str> = all.iter().map(|d| d.method.as_str()).collect();
    let summaries: Vec<&str> = all.iter().map(|d| d.summary.as_str()).collect();
    let mut keys: BTreeMap<&str, Vec<(&str, Value)>> = BTreeMap::new();
    for description in all {
        for (name, spec) in keys_of(description) {
            keys.entry(name).or_default().push((&description.method, spec));
        }
    }
    let mut properties: Map<String, Value> =
        keys.into_iter().map(|(name, specs)| (name.to_string(), shared(&specs))).collect();
    properties.insert(
        "use".into(),
        json!({
            "enum": methods, "description": "the method",
            "x-taplo": { "docs": { "enumValues": summaries } },
        }),
    );
    let names: Vec<&String> = properties.keys().collect();
    let rules = all.iter().map(|d| when(d, json!({ "$ref": format!("#/definitions/{}", d.method) })));
    // Editors take the keys of an `allOf` for the only ones, so it stands within the condition.
    json!({
        "type": "object", "properties": properties,
        "if": { "required": ["use"] },
        "then": { "allOf": rules.collect::<Vec<_>>() },
        "else": { "propertyNames": { "enum": names } },
    })
}

/// A step that stands on its own: it says its method, and every port that must be linked is.
fn complete_step(all: &[&Description]) -> Value {
    let linked = all.iter().filter_map(|d| {
        let ports: Vec<&str> = d.inputs.iter().filter(|p| p.required).map(|p| p.name.as_str()).collect();
        (!ports.is_empty()).then(|| when(d, json!({ "required": ports })))
    });
    let first = [json!({ "$ref": "#/definitions/step" }), json!({ "required": ["use"] })];
    let rules: Vec<Value> = first.into_iter().chain(linked).collect();
    json!({ "allOf": rules })
}

fn when(description: &Description, then: Value) -> Value {
    json!({ "if": { "properties": { "use": { "const": description.method } }, "required": ["use"] }, "then": then })
}

/// A method's own keys, and no others.
fn method(description: &Description) -> Value {
    let mut properties: Map<String, Value> =
        keys_of(description).into_iter().map(|(name, spec)| (name.to_string(), spec)).collect();
    properties.insert("use".into(), json!({ "const": description.method, "description": description.summary }));
    json!({
        "type": "object", "description": description.summary,
        "properties": properties, "additionalProperties": false,
    })
}

fn keys_of(description: &Description) -> Vec<(&str, Value)> {
    let ports = description.inputs.iter().map(|p| (p.name.as_str(), port(p)));
    let file_name = |p: &Parameter| description.shape == Shape::Sink && p.name == "name";
    let parameters = description.parameters.iter().map(|p| (p.name.as_str(), parameter(p, file_name(p))));
    ports.chain(parameters).collect()
}

/// One key as all methods that know it have it: what they agree on, and everybody's help.
fn shared(specs: &[(&str, Value)]) -> Value {
    let bare = |spec: &Value| {
        let mut spec = spec.as_object().cloned().unwrap_or_default();
        spec.remove("description");
        spec.remove("default");
        spec
    };
    let first = bare(&specs[0].1);
    let agreed = specs.iter().all(|(_, spec)| bare(spec) == first);
    let mut result = if agreed { first } else { Map::new() };
    let mut helps: Vec<(&str, Vec<&str>)> = Vec::new();
    for (method, spec) in specs {
        let help = spec["description"].as_str().unwrap_or_default();
        match helps.iter_mut().find(|(known, _)| *known == help) {
            Some((_, methods)) => methods.push(method),
            None => helps.push((help, vec![method])),
        }
    }
    let lines: Vec<String> = helps.iter().map(|(help, methods)| format!("{}: {help}", methods.join(", "))).collect();
    let text = if let [(help, _)] = helps[..] { help.to_string() } else { lines.join("\n\n") };
    result.insert("description".into(), text.into());
    let default = specs[0].1.get("default").filter(|d| specs.iter().all(|(_, spec)| spec.get("default") == Some(d)));
    if let (true, Some(default)) = (agreed, default) {
        result.insert("default".into(), default.clone());
    }
    Value::Object(result)
}

fn port(port: &Port) -> Value {
    let mut words = format!("{}{}", crate::compile::type_name(port.kind), if port.many { ", one or more" } else { "" });
    if !port.help.is_empty() {
        words = format!("{}: {words}", port.help);
    }
    match port.many {
        false => json!({ "type": "string", "pattern": LINK, "description": words }),
        true => json!({
            "type": ["string", "array"], "pattern": LINK,
            "items": { "type": "string", "pattern": LINK }, "description": words,
        }),
    }
}

fn parameter(parameter: &Parameter, file_name: bool) -> Value {
    let mut spec = Map::new();
    let auto = parameter.auto && !matches!(parameter.kind, ParameterKind::Choice { .. });
    let kind = match &parameter.kind {
        ParameterKind::Number { min, max } => {
            bounds(&mut spec, json!(min), json!(max));
            "number"
        }
        ParameterKind::Integer { min, max } => {
            bounds(&mut spec, json!(min), json!(max));
            "integer"
        }
        ParameterKind::Choice { of } => {
            spec.insert("enum".into(), json!(of));
            "string"
        }
        ParameterKind::Flag => "boolean",
        ParameterKind::Text => {
            spec.insert("maxLength".into(), json!(200));
            if file_name {
                spec.insert("pattern".into(), "^[^./\\\\~][^/\\\\]*$".into());
            }
            "string"
        }
        ParameterKind::Numbers { min, max } => {
            let mut item = Map::from_iter([("type".to_string(), json!("number"))]);
            bounds(&mut item, json!(min), json!(max));
            spec.insert("items".into(), Value::Object(item));
            "array"
        }
    };
    // One schema without alternatives: editors list a key once for each alternative.
    if auto && kind != "string" {
        spec.insert("type".into(), json!([kind, "string"]));
        spec.insert("pattern".into(), "^auto$".into());
    } else {
        spec.insert("type".into(), kind.into());
    }
    let unit = if parameter.unit.is_empty() { String::new() } else { format!(" [{}]", parameter.unit) };
    spec.insert("description".into(), format!("{}{unit}", parameter.help).into());
    spec.insert("default".into(), json!(parameter.default));
    Value::Object(spec)
}

/// Bounds that JSON can write.
fn bounds(spec: &mut Map<String, Value>, min: Value, max: Value) {
    for (key, bound) in [("minimum", min), ("maximum", max)] {
        if !bound.is_null() {
            spec.insert(key.into(), bound);
        }
    }
}

fn input(catalogue: &Catalogue) -> Value {
    let reader = catalogue.get(READER).map(|l| &l.description);
    let reading = reader.into_iter().flat_map(|d| &d.parameters);
    let mut properties: Map<String, Value> = reading.map(|p| (p.name.clone(), parameter(p, false))).collect();
    properties.insert("type".into(), json!({ "const": "frames", "description": "a capture is a stream of frames" }));
    properties.insert("help".into(), json!({ "type": "string", "description": "what the capture must be" }));
    properties.insert("many".into(), json!({ "type": "boolean", "description": "whether it takes several files" }));
    properties.insert("optional".into(), json!({ "type": "boolean", "description": "whether it may be left out" }));
    json!({ "type": "object", "properties": properties, "required": ["type"], "additionalProperties": false })
}

fn expectation(all: &[&Description]) -> Value {
    let simulators = all.iter().filter(|d| d.shape == Shape::Source && d.method.starts_with("simulate."));
    let names: Vec<&str> = simulators.map(|d| d.method.as_str()).collect();
    json!({
        "type": "object",
        "properties": {
            "number": {
                "type": "string", "pattern": "^[^.]+\\..+$", "description": "STEP.NUMBER, as the step records it",
            },
            "min": { "type": "number", "description": "smallest value that passes" },
            "max": { "type": "number", "description": "largest value that passes" },
            "clip": {
                "type": "object", "properties": { "use": { "enum": names } },
                "description": "the simulated clip to try it on, with parameters of its method",
            },
            "help": { "type": "string", "description": "why it should hold" },
        },
        "required": ["number"],
        "anyOf": [{ "required": ["min"] }, { "required": ["max"] }],
        "additionalProperties": false,
    })
}

/// The JSON schema of a session file.
pub fn session_schema() -> Value {
    let mut sections: BTreeMap<&str, Map<String, Value>> = BTreeMap::new();
    for fact in FACTS {
        let Some((section, key)) = fact.name.split_once('.') else { continue };
        let mut spec = match fact.kind {
            FactKind::Number { min, max } => json!({ "type": "number", "minimum": min, "maximum": max }),
            FactKind::Integer { min, max } => json!({ "type": "integer", "minimum": min, "maximum": max }),
            FactKind::Flag => json!({ "type": "boolean" }),
            FactKind::Text | FactKind::Path => json!({ "type": "string" }),
            FactKind::Choice(of) => {
                let small = of.iter().map(|w| w.to_lowercase()).filter(|w| !of.contains(&w.as_str()));
                let words: Vec<String> = of.iter().map(|w| (*w).to_string()).chain(small).collect();
                json!({ "enum": words })
            }
        };
        spec["description"] = fact.help.into();
        sections.entry(section).or_default().insert(key.into(), spec);
    }
    let section = |properties: Map<String, Value>| json!({ "type": "object", "properties": properties, "additionalProperties": false });
    let mut properties: Map<String, Value> = sections.into_iter().map(|(k, v)| (k.to_string(), section(v))).collect();
    properties.insert("notes".into(), json!({ "type": "object", "description": "free text" }));
    json!({
        "$schema": DRAFT, "title": "Stillair session",
        "description": "What the observer knows of a clip and its file cannot say; everything is optional",
        "type": "object", "properties": properties, "additionalProperties": false,
    })
}

/// Every method at hand with all that is said of it, and the contracts they keep to.
pub fn catalogue_dump(catalogue: &Catalogue) -> Value {
    let contracts: Vec<Value> = contract::CONTRACTS
        .iter()
        .map(|c| {
            let ports = |ports: &[contract::ContractPort]| -> Vec<Value> {
                ports.iter().map(|p| json!({ "name": p.name, "type": p.kind, "optional": p.optional })).collect()
            };
            json!({ "name": c.name, "inputs": ports(c.inputs), "outputs": ports(c.outputs) })
        })
        .collect();
    let methods: Vec<&Description> = catalogue.all().map(|l| &l.description).collect();
    json!({ "format": 1, "contracts": contracts, "methods": methods })
}
