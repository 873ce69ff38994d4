//! A plan for eyes: as text, and as a graph for drawing programs that read DOT.

use std::fmt::Write as _;

use stillair_api::{PortType, Shape};

use super::parameters::show;
use crate::plan::{OutputRef, Pass, Plan, PlanNode, Stage};

/// The plan as readable text, pass by pass.
pub fn graph_text(plan: &Plan) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{}: {}", plan.name, plan.summary);
    let wide = plan.nodes.iter().map(|n| n.step.chars().count()).max().unwrap_or(0);
    let method = plan.nodes.iter().map(|n| n.description.method.len()).max().unwrap_or(0);
    let sources: Vec<_> = plan.nodes.iter().filter(|n| n.description.shape == Shape::Source).collect();
    if !sources.is_empty() {
        let _ = writeln!(out, "\nclips");
        sources.iter().for_each(|node| node_line(&mut out, plan, node, wide, method, ""));
    }
    let passes = plan.stages.iter().filter(|s| matches!(s, Stage::Pass(_))).count();
    let mut seen = vec![false; plan.nodes.len()];
    let mut number = 0;
    let mut in_values = false;
    for stage in &plan.stages {
        match stage {
            Stage::Pass(pass) => {
                number += 1;
                in_values = false;
                let _ = writeln!(
                    out,
                    "\npass {number} of {passes}: reads `{}`{}",
                    plan.nodes[pass.source].step,
                    sweeps(plan, pass)
                );
                for &index in &pass.nodes {
                    let again = std::mem::replace(&mut seen[index], true);
                    node_line(&mut out, plan, &plan.nodes[index], wide, method, if again { "(again)" } else { "" });
                }
            }
            Stage::Value(index) => {
                if !in_values {
                    let _ = writeln!(out, "\n{}", if number == 0 { "first" } else { "then" });
                }
                in_values = true;
                node_line(&mut out, plan, &plan.nodes[*index], wide, method, "");
            }
        }
    }
    if !plan.skipped.is_empty() {
        let _ = writeln!(out, "\nleft out");
        for skipped in &plan.skipped {
            let _ = writeln!(out, "  {:wide$}  {}", skipped.step, skipped.why);
        }
    }
    out
}

fn sweeps(plan: &Plan, pass: &Pass) -> String {
    let most = pass.nodes.iter().map(|i| plan.nodes[*i].description.sweeps).max().unwrap_or(1);
    if most > 1 { format!(", up to {most} times") } else { String::new() }
}

fn node_line(out: &mut String, plan: &Plan, node: &PlanNode, wide: usize, method: usize, note: &str) {
    let ports = node.description.inputs.iter().zip(&node.inputs).filter(|(_, links)| !links.is_empty());
    let mut words: Vec<String> = ports
        .map(|(port, links)| {
            let links: Vec<_> = links.iter().map(|output| link_text(plan, *output)).collect();
            format!("{} {}", port.name, links.join(" "))
        })
        .collect();
    if note.is_empty() {
        let given = node.given.iter().filter_map(|name| Some((name, node.parameters.0.get(name)?)));
        words.extend(given.map(|(name, value)| format!("{name}={}", show(value))));
    } else {
        words = vec![note.into()];
    }
    let line = format!("  {:wide$}  {:method$}  {}", node.step, node.description.method, words.join(", "));
    let _ = writeln!(out, "{}", line.trim_end());
}

fn link_text(plan: &Plan, output: OutputRef) -> String {
    let node = &plan.nodes[output.node];
    let outputs = &node.description.outputs;
    match outputs.get(output.port) {
        Some(port) if outputs.len() > 1 => format!("@{}.{}", node.step, port.name),
        _ => format!("@{}", node.step),
    }
}

/// The plan in DOT: a box for each pass; a map that works in several passes stands in each of them.
pub fn graph_dot(plan: &Plan) -> String {
    let mut out = String::from("digraph recipe {\n  rankdir = LR;\n  node [shape = box, fontname = \"sans-serif\"];\n");
    let _ = writeln!(out, "  label = {};", dot(&plan.name));
    // Which box each copy of a node stands in: 0 is outside of all.
    let mut number = 0;
    for (index, node) in plan.nodes.iter().enumerate() {
        if node.description.shape == Shape::Source {
            vertex(&mut out, node, &name(index, 0), "cylinder");
        }
    }
    for stage in &plan.stages {
        match stage {
            Stage::Value(index) => {
                vertex(&mut out, &plan.nodes[*index], &name(*index, 0), "box");
                edges(&mut out, plan, *index, 0, &[]);
            }
            Stage::Pass(pass) => {
                number += 1;
                let clip = &plan.nodes[pass.source].step;
                let label = dot(&format!("pass {number} over {clip}{}", sweeps(plan, pass)));
                let _ = writeln!(out, "  subgraph cluster_{number} {{\n    label = {label};");
                for &index in &pass.nodes {
                    out.push_str("  ");
                    vertex(&mut out, &plan.nodes[index], &name(index, copy(plan, index, number)), "box");
                }
                out.push_str("  }\n");
                for &index in &pass.nodes {
                    edges(&mut out, plan, index, number, &pass.nodes);
                }
            }
        }
    }
    out.push_str("}\n");
    out
}

/// Only maps have a copy for each pass; all else stands once.
fn copy(plan: &Plan, index: usize, pass: usize) -> usize {
    if plan.nodes[index].description.shape == Shape::Map { pass } else { 0 }
}

fn name(index: usize, copy: usize) -> String {
    if copy == 0 { format!("n{index}") } else { format!("n{index}_{copy}") }
}

fn vertex(out: &mut String, node: &PlanNode, name: &str, shape: &str) {
    let label = dot(&format!("{}\n{}", node.step, node.description.method));
    let _ = writeln!(out, "  {name} [label = {label}, shape = {shape}];");
}

fn edges(out: &mut String, plan: &Plan, index: usize, pass: usize, members: &[usize]) {
    let node = &plan.nodes[index];
    let to = name(index, copy(plan, index, pass));
    for (port, links) in node.description.inputs.iter().zip(&node.inputs) {
        for link in links {
            let from_copy = if members.contains(&link.node) { copy(plan, link.node, pass) } else { 0 };
            let style = if port.kind == PortType::Frames { "penwidth = 2" } else { "style = solid" };
            let _ = writeln!(out, "  {} -> {to} [label = {}, {style}];", name(link.node, from_copy), dot(&port.name));
        }
    }
}

fn dot(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n"))
}
