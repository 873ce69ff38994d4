//! `stillair explain`: a method's ports, parameters, meaning and source; or a recipe's steps.

use std::fmt::Write as _;

use serde_json::json;
use stillair_api::{Description, Parameter, ParameterKind, Port, columns};
use stillair_engine::compile::{Given, default_text, type_name};
use stillair_engine::diagnostic::nearest;
use stillair_engine::session;

use crate::arguments::{Explain, Global};
use crate::failure::Failure;
use crate::recipes::{Recipe, SHIPPED};
use crate::{methods, plugins, say};

/// Explains a method or a recipe.
pub fn explain(verb: &Explain, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    if let Some(listed) = catalogue.get(&verb.name) {
        if global.json {
            say::json(&json!(listed.description));
        } else {
            say::out(&method_text(&listed.description, &format!("{} {}", listed.plugin, listed.plugin_version)));
        }
        return Ok(());
    }
    let ships = SHIPPED.iter().any(|(name, _)| *name == verb.name);
    if !ships && !std::path::Path::new(&verb.name).is_file() {
        let methods: Vec<_> = catalogue.all().map(|l| l.description.method.as_str()).collect();
        let names = methods.iter().copied().chain(SHIPPED.iter().map(|(name, _)| *name));
        let remedy = match nearest(&verb.name, names) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "`stillair methods` lists the methods".into(),
        };
        return Err(Failure::request(format!("there is no method or recipe `{}`", verb.name), remedy));
    }
    let recipe = Recipe::find(&verb.name)?;
    let plan = recipe.compile(&catalogue, &Given::assumed(&recipe.inputs), global)?;
    if global.json {
        say::json(&json!(plan));
        return Ok(());
    }
    let mut text = format!("{}\n", plan.name);
    paragraph(&mut text, &plan.summary);
    if !recipe.inputs.is_empty() {
        text.push_str("\nInputs\n");
    }
    for input in &recipe.inputs {
        let words = match (input.optional, input.many) {
            (false, false) => "",
            (true, false) => " (optional)",
            (false, true) => " (one or more)",
            (true, true) => " (optional, one or more)",
        };
        let _ = writeln!(text, "  {}{words}", input.name);
        indented(&mut text, &input.help);
    }
    text.push_str("\nSteps\n");
    for node in plan.nodes.iter().filter(|n| n.file.is_none()) {
        let _ = writeln!(text, "  {}: {}", node.step, node.description.method);
        indented(&mut text, &node.description.summary);
    }
    say::out(&text);
    Ok(())
}

fn method_text(description: &Description, plugin: &str) -> String {
    let mut text = format!("{}\n", description.method);
    paragraph(&mut text, &description.summary);
    let _ = writeln!(text, "\nA {}, version {}, of {plugin}.", methods::shape(description.shape), description.version);
    if !description.help.is_empty() {
        text.push('\n');
        paragraph(&mut text, &description.help);
    }
    ports(&mut text, "Takes", &description.inputs, true);
    if !description.needs.is_empty() {
        text.push_str("\nCannot do without\n");
        for need in &description.needs {
            let column = match need.column.as_str() {
                columns::GRADE => "a column of grades".to_string(),
                name => format!("the column {name}"),
            };
            let by = if need.named_by.is_empty() {
                String::new()
            } else {
                format!(", or the one that `{}` names", need.named_by)
            };
            let _ = writeln!(text, "  {}: {column}{by}", need.port);
        }
    }
    ports(&mut text, "Gives", &description.outputs, false);
    if !description.extension.is_empty() {
        let _ = writeln!(text, "\nWrites a file .{} into the run folder's results.", description.extension);
    }
    if !description.columns.is_empty() {
        text.push_str("\nColumns it adds to its table\n");
        for column in &description.columns {
            let unit = if column.unit.is_empty() { String::new() } else { format!(" [{}]", column.unit) };
            let _ = writeln!(text, "  {}{unit}", column.name);
            indented(&mut text, &column.help);
        }
    }
    if !description.parameters.is_empty() {
        text.push_str("\nParameters\n");
        for parameter in &description.parameters {
            let _ = writeln!(text, "  {} = {}  ({})", parameter.name, default_text(parameter), range(parameter));
            indented(&mut text, &parameter.help);
        }
    }
    if !description.facts.is_empty() {
        text.push_str("\nReads of the session, where it is known\n");
        for fact in &description.facts {
            let _ = writeln!(text, "  {fact}");
            indented(&mut text, session::fact_spec(fact).map_or("", |f| f.help));
        }
    }
    if !description.through.is_empty() {
        let _ = writeln!(text, "\nWhere it is left out, `{}` is handed on as it is.", description.through);
    }
    if !description.source.is_empty() {
        text.push_str("\nSource\n");
        indented(&mut text, &description.source);
    }
    text
}

fn range(parameter: &Parameter) -> String {
    let unit = if parameter.unit.is_empty() { String::new() } else { format!(" {}", parameter.unit) };
    let auto = if parameter.auto { ", or \"auto\"" } else { "" };
    match &parameter.kind {
        ParameterKind::Number { min, max } => format!("{min} to {max}{unit}{auto}"),
        ParameterKind::Integer { min, max } => format!("a whole number, {min} to {max}{unit}{auto}"),
        ParameterKind::Choice { of } => of.iter().map(|w| format!("\"{w}\"")).collect::<Vec<_>>().join(" | "),
        ParameterKind::Flag => "true | false".into(),
        ParameterKind::Text => "a text".into(),
        ParameterKind::Numbers { min, max } => format!("a list of numbers, each {min} to {max}{unit}{auto}"),
    }
}

fn ports(text: &mut String, title: &str, ports: &[Port], inputs: bool) {
    if ports.is_empty() {
        return;
    }
    let _ = writeln!(text, "\n{title}");
    for port in ports {
        let mut words = vec![type_name(port.kind).to_string()];
        if inputs && !port.required {
            words.push("optional".into());
        }
        if port.many {
            words.push("one or more".into());
        }
        if port.whole {
            words.push("finished before the first frame".into());
        }
        let _ = writeln!(text, "  {}: {}", port.name, words.join(", "));
        indented(text, &port.help);
    }
}

fn paragraph(text: &mut String, words: &str) {
    wrap(text, words, "");
}

fn indented(text: &mut String, words: &str) {
    wrap(text, words, "      ");
}

/// Breaks a text into lines of at most 88 characters; its own line ends stay.
fn wrap(text: &mut String, words: &str, indent: &str) {
    const WIDTH: usize = 88;
    for own in words.lines() {
        let mut line = String::new();
        for word in own.split_whitespace() {
            let length = indent.len() + line.chars().count() + 1 + word.chars().count();
            if !line.is_empty() && length > WIDTH {
                let _ = writeln!(text, "{indent}{line}");
                line.clear();
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        let _ = writeln!(text, "{}", format!("{indent}{line}").trim_end());
    }
}
