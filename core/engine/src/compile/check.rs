//! Every step against its method: names, parameters, links and their types.

use std::collections::BTreeMap;

use stillair_api::{Parameters, Port, PortType, Shape};

use super::parameters;
use super::recipe::{Entry, INPUT_KEYS, RawInput, RawStep, Recipe};
use super::tree::{Item, Key, Value};
use crate::catalogue::{Catalogue, Listed};
use crate::diagnostic::{Log, Place, nearest_and_how, suggest};

/// How alike two names are that differ by a slip of the finger.
const TYPO: f64 = 0.8;

/// What a link leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum End {
    Input(usize),
    Step(usize),
}

/// A link that leads to something of the right type.
#[derive(Debug, Clone)]
pub(crate) struct Link {
    pub place: Place,
    pub end: End,
    /// Index of the output.
    pub port: usize,
}

/// A step whose method is known.
pub(crate) struct Step<'c> {
    pub name: Key,
    pub listed: &'c Listed,
    pub parameters: Parameters,
    pub given: Vec<String>,
    /// For each input port.
    pub links: Vec<Vec<Link>>,
}

/// A named result and the method that writes it.
pub(crate) struct Outcome<'c> {
    pub name: Key,
    pub link: Link,
    pub writer: &'c Listed,
    /// The writer's port.
    pub port: usize,
}

/// A recipe whose parts are all known, if no errors were told to the log.
pub(crate) struct Checked<'c> {
    /// In the order of the file; `None` where the method is not known.
    pub steps: Vec<Option<Step<'c>>>,
    pub results: Vec<Outcome<'c>>,
    /// The method that reads inputs.
    pub reader: Option<&'c Listed>,
    /// For each input, the reader's parameters and the names of those that were set.
    pub reading: Vec<(Parameters, Vec<String>)>,
}

/// The method that reads every input.
pub const READER: &str = "decode.auto";

/// A type's name with its article.
pub fn type_name(kind: PortType) -> &'static str {
    match kind {
        PortType::Frames => "frames",
        PortType::Table => "a table",
        PortType::Motion => "a motion",
        PortType::Image => "an image",
        PortType::Record => "a record",
    }
}

struct Names<'r, 'c> {
    recipe: &'r Recipe,
    methods: Vec<Option<&'c Listed>>,
    ends: BTreeMap<&'r str, End>,
    reader_port: Vec<Port>,
}

/// Checks all of a recipe.
pub(crate) fn check<'c>(log: &mut Log, recipe: &Recipe, catalogue: &'c Catalogue) -> Checked<'c> {
    let methods: Vec<_> = recipe.steps.iter().map(|s| method_of(log, s, catalogue)).collect();
    let mut ends = BTreeMap::new();
    let inputs = recipe.inputs.iter().enumerate().map(|(i, input)| (&input.name, End::Input(i)));
    let steps = recipe.steps.iter().enumerate().map(|(i, step)| (&step.name, End::Step(i)));
    for (name, end) in inputs.chain(steps) {
        if ends.insert(name.name.as_str(), end).is_some() {
            log.error(&name.place, format!("`{}` is both an input and a step", name.name))
                .cause("a link could mean either")
                .remedy("give one of them another name");
        }
    }
    let reader = catalogue.get(READER);
    if let (None, Some(input)) = (reader, recipe.inputs.first()) {
        log.error(&input.name.place, format!("nothing can read the input `{}`", input.name.name))
            .cause(format!("the method {READER} is not among the plugins at hand"));
    }
    let reader_port = reader.map_or_else(Vec::new, |r| r.description.outputs.clone());
    let names = Names { recipe, methods, ends, reader_port };
    let steps = recipe
        .steps
        .iter()
        .enumerate()
        .map(|(index, raw)| names.methods[index].map(|listed| check_step(log, &names, raw, listed)))
        .collect();
    let mut results = Vec::new();
    for (key, item) in &recipe.results {
        results.extend(check_result(log, &names, key, item, catalogue));
    }
    let reading = match reader {
        Some(reader) => recipe.inputs.iter().map(|input| read_input(log, input, reader)).collect(),
        None => Vec::new(),
    };
    Checked { steps, results, reader, reading }
}

/// The reader's parameters for an input.
fn read_input(log: &mut Log, input: &RawInput, reader: &Listed) -> (Parameters, Vec<String>) {
    let description = &reader.description;
    let mut parameters = description.defaults();
    let mut given = Vec::new();
    for (key, item) in &input.reading {
        let Some(spec) = description.parameters.iter().find(|p| p.name == key.name) else {
            let known = INPUT_KEYS.into_iter().chain(description.parameters.iter().map(|p| p.name.as_str()));
            let known: Vec<_> = known.collect();
            log.error(&key.place, format!("unknown key `{}` of an input", key.name)).remedy(suggest(
                &key.name,
                known.iter().copied(),
                "key",
            ));
            continue;
        };
        if let Some(value) = parameters::read(log, spec, description.shape, key, item) {
            parameters.0.insert(key.name.clone(), value);
            given.push(key.name.clone());
        }
    }
    (parameters, given)
}

fn method_of<'c>(log: &mut Log, step: &RawStep, catalogue: &'c Catalogue) -> Option<&'c Listed> {
    let Some(entry) = step.get("use") else {
        log.error(&step.name.place, format!("the step `{}` does not say which method it uses", step.name.name))
            .remedy("add `use = \"family.method\"`; `stillair methods` lists them");
        return None;
    };
    let Some(name) = entry.item.text() else {
        log.error(&entry.item.place, "`use` must be a text").cause(format!("it is {}", entry.item.kind()));
        return None;
    };
    let found = catalogue.get(name);
    if found.is_none() {
        let names: Vec<_> = catalogue.all().map(|l| l.description.method.as_str()).collect();
        let family = name.split('.').next().unwrap_or_default();
        let in_family = names.iter().copied().filter(|n| n.split('.').next() == Some(family));
        let remedy = match nearest_and_how(name, names.iter().copied()) {
            Some((near, alike)) if near.split('.').next() == Some(family) || in_family.clone().next().is_none() => {
                let plugin = if alike >= TYPO { "" } else { " a plugin's method needs --plugin-path FOLDER" };
                format!("did you mean `{near}`?{plugin}")
            }
            _ if in_family.clone().next().is_some() => suggest(name, in_family, "method"),
            _ => {
                let mut families: Vec<_> = names.iter().filter_map(|n| n.split('.').next()).collect();
                families.dedup();
                suggest(family, families.iter().copied(), "family of method")
            }
        };
        log.error(&entry.item.place, format!("there is no method `{name}`")).remedy(remedy);
    }
    found
}

fn check_step<'c>(log: &mut Log, names: &Names<'_, 'c>, raw: &RawStep, listed: &'c Listed) -> Step<'c> {
    let description = &listed.description;
    let mut step = Step {
        name: raw.name.clone(),
        listed,
        parameters: description.defaults(),
        given: Vec::new(),
        links: vec![Vec::new(); description.inputs.len()],
    };
    let mut wrong = vec![false; description.inputs.len()];
    for entry in &raw.entries {
        let name = entry.key.name.as_str();
        if name == "use" {
        } else if let Some(index) = description.inputs.iter().position(|p| p.name == name) {
            let port = &description.inputs[index];
            let before = log.errors();
            step.links[index] = read_links(log, names, &step.name.name, &description.method, port, entry);
            wrong[index] = log.errors() > before || step.links[index].is_empty() && !is_empty_list(&entry.item);
        } else if let Some(spec) = description.parameters.iter().find(|p| p.name == name) {
            if let Some(value) = parameters::read(log, spec, description.shape, &entry.key, &entry.item) {
                step.parameters.0.insert(name.into(), value);
                step.given.push(name.into());
            }
        } else if !entry.loose {
            let known = description.inputs.iter().map(|p| p.name.as_str());
            let known: Vec<_> = known.chain(description.parameters.iter().map(|p| p.name.as_str())).collect();
            log.error(&entry.key.place, format!("`{}` has no port or parameter `{name}`", description.method))
                .remedy(suggest(name, known.iter().copied(), "key"));
        }
    }
    for (index, port) in description.inputs.iter().enumerate() {
        if port.required && step.links[index].is_empty() && !wrong[index] {
            let remedy = candidates(names, port.kind, &raw.name.name).first().map_or_else(
                || format!("link a step that gives {}", type_name(port.kind)),
                |c| format!("add `{} = \"{c}\"`, say", port.name),
            );
            let help = if port.help.is_empty() { String::new() } else { format!(", {}", port.help) };
            log.error(&raw.name.place, format!("the step `{}` lacks its port `{}`", raw.name.name, port.name))
                .cause(format!("{} needs {} there{help}", description.method, type_name(port.kind)))
                .remedy(remedy);
        }
    }
    step
}

fn is_empty_list(item: &Item) -> bool {
    matches!(&item.value, Value::List(items) if items.is_empty())
}

fn read_links(log: &mut Log, names: &Names<'_, '_>, step: &str, method: &str, port: &Port, entry: &Entry) -> Vec<Link> {
    let whom = format!("`{}` of step `{step}` ({method})", port.name);
    match &entry.item.value {
        Value::Text(_) => resolve(log, names, step, &whom, port.kind, &entry.item).into_iter().collect(),
        Value::List(items) if port.many => {
            items.iter().filter_map(|item| resolve(log, names, step, &whom, port.kind, item)).collect()
        }
        Value::List(items) => {
            log.error(&entry.item.place, format!("{whom} takes one link, not a list"))
                .cause(format!("the port takes {} and is not one of those that take several", type_name(port.kind)))
                .remedy(
                    items
                        .first()
                        .and_then(Item::text)
                        .map_or_else(String::new, |t| format!("write `{} = \"{t}\"`", port.name)),
                );
            Vec::new()
        }
        _ => {
            log.error(&entry.item.place, format!("{whom} takes a link"))
                .cause(format!("it is {}", entry.item.kind()))
                .remedy(format!("write `{} = \"@step\"`", port.name));
            Vec::new()
        }
    }
}

fn outputs_of<'n>(names: &'n Names<'_, '_>, end: End) -> Option<&'n [Port]> {
    match end {
        End::Input(_) => Some(&names.reader_port),
        End::Step(index) => names.methods[index].map(|l| l.description.outputs.as_slice()),
    }
}

/// Links that would give a type, the latest steps first.
fn candidates(names: &Names<'_, '_>, kind: PortType, not: &str) -> Vec<String> {
    let inputs = names.recipe.inputs.iter().enumerate().map(|(i, x)| (End::Input(i), &x.name.name));
    let steps = names.recipe.steps.iter().enumerate().map(|(i, x)| (End::Step(i), &x.name.name));
    let mut found: Vec<String> = inputs
        .chain(steps)
        .filter(|(end, name)| {
            name.as_str() != not && outputs_of(names, *end).is_some_and(|ports| ports.iter().any(|p| p.kind == kind))
        })
        .map(|(_, name)| format!("@{name}"))
        .collect();
    found.reverse();
    found
}

fn resolve(log: &mut Log, names: &Names<'_, '_>, step: &str, whom: &str, kind: PortType, item: &Item) -> Option<Link> {
    let Some(text) = item.text() else {
        log.error(&item.place, format!("{whom} takes a link")).cause(format!("it is {}", item.kind()));
        return None;
    };
    let Some(target) = text.strip_prefix('@') else {
        let known = names.ends.contains_key(text.split('.').next().unwrap_or_default());
        log.error(&item.place, format!("{whom} takes a link, not `{text}`"))
            .cause("a link begins with `@`")
            .remedy(if known { format!("write `@{text}`") } else { "write `@` and the name of a step".into() });
        return None;
    };
    let (name, port) = target.split_once('.').map_or((target, None), |(n, p)| (n, Some(p)));
    let Some(&end) = names.ends.get(name) else {
        log.error(&item.place, format!("{whom} is linked to `@{name}`, which does not exist")).remedy(suggest(
            name,
            names.ends.keys().copied().filter(|n| *n != step),
            "step",
        ));
        return None;
    };
    let outputs = outputs_of(names, end)?;
    let link = |port| Some(Link { place: item.place.clone(), end, port });
    let giver = match end {
        End::Input(_) => format!("the input `{name}`"),
        End::Step(index) => format!("`{name}` ({})", names.methods[index].map_or("", |l| &l.description.method)),
    };
    if let Some(port) = port {
        let Some(index) = outputs.iter().position(|p| p.name == port) else {
            log.error(&item.place, format!("{whom} is linked to `{text}`, but {giver} has no output `{port}`"))
                .remedy(suggest(port, outputs.iter().map(|p| p.name.as_str()), "output"));
            return None;
        };
        if outputs[index].kind == kind {
            return link(index);
        }
        mismatch(log, names, step, whom, kind, item, &format!("`{text}` of {giver}"), type_name(outputs[index].kind));
        return None;
    }
    let fitting: Vec<_> = outputs.iter().enumerate().filter(|(_, p)| p.kind == kind).collect();
    match fitting.as_slice() {
        [(index, _)] => link(*index),
        [] => {
            let mut gives: Vec<_> = outputs.iter().map(|p| type_name(p.kind)).collect();
            gives.dedup();
            let gives = if gives.is_empty() { "nothing".into() } else { gives.join(" and ") };
            mismatch(log, names, step, whom, kind, item, &giver, &gives);
            None
        }
        several => {
            let ports: Vec<_> = several.iter().map(|(_, p)| format!("`@{name}.{}`", p.name)).collect();
            log.error(&item.place, format!("{whom} is linked to `@{name}`, which gives several of that type"))
                .cause(format!("{giver} has {} outputs that are {}", several.len(), type_name(kind)))
                .remedy(format!("write {}", ports.join(" or ")));
            None
        }
    }
}

#[allow(clippy::too_many_arguments)]
fn mismatch(
    log: &mut Log,
    names: &Names<'_, '_>,
    step: &str,
    whom: &str,
    kind: PortType,
    item: &Item,
    giver: &str,
    gives: &str,
) {
    let candidates = candidates(names, kind, step);
    let remedy = match candidates.len() {
        0 => format!("add a step that gives {}", type_name(kind)),
        _ => format!("link one that gives {}: {}", type_name(kind), candidates.join(", ")),
    };
    log.error(&item.place, format!("{whom} takes {}, but {giver} gives {gives}", type_name(kind))).remedy(remedy);
}

/// The method that writes a result of a type.
fn writer_of(kind: PortType) -> &'static str {
    if kind == PortType::Table { "write.csv" } else { "write.tiff" }
}

fn check_result<'c>(
    log: &mut Log,
    names: &Names<'_, 'c>,
    key: &Key,
    item: &Item,
    catalogue: &'c Catalogue,
) -> Option<Outcome<'c>> {
    let whom = format!("the result `{}`", key.name);
    // The type follows from what the link gives: an image or a table.
    let target = item.text().and_then(|t| t.strip_prefix('@')).unwrap_or_default();
    let (name, port) = target.split_once('.').map_or((target, None), |(n, p)| (n, Some(p)));
    let outputs = names.ends.get(name).and_then(|end| outputs_of(names, *end)).unwrap_or_default();
    let table = outputs.iter().filter(|p| port.is_none_or(|port| p.name == port)).all(|p| p.kind == PortType::Table);
    let kind = if table && !outputs.is_empty() { PortType::Table } else { PortType::Image };
    let link = resolve(log, names, "", &whom, kind, item)?;
    let method = writer_of(kind);
    let missing = |log: &mut Log| {
        log.error(&key.place, format!("nothing can write the result `{}`", key.name))
            .cause(format!("the method {method} is not among the plugins at hand"));
    };
    let Some(writer) = catalogue.get(method).filter(|w| w.description.shape == Shape::Sink) else {
        missing(log);
        return None;
    };
    let Some(port) = writer.description.inputs.iter().position(|p| p.kind == kind) else {
        missing(log);
        return None;
    };
    Some(Outcome { name: key.clone(), link, writer, port })
}
