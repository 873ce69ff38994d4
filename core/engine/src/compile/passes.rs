//! Cuts the graph into passes: each reads a clip once and does all that can be done meanwhile.
//!
//! A node stands in the earliest pass it can. A map stands in no earlier pass than the map before it, and again in
//! every pass in which something needs its frames. A row that another measure of the same clip has just made can be
//! used in the same pass; any other value must be finished in an earlier pass. A reduce finishes its values at the
//! end of its pass, a transform as soon as its inputs are finished.

use stillair_api::{PortType, Shape};

use crate::plan::{OutputRef, Pass, Plan, PlanNode, Stage};

/// The stages of a plan, whose nodes are in topological order.
pub(crate) fn stages(nodes: &[PlanNode]) -> Vec<Stage> {
    let sources = sources(nodes);
    let mut pass = vec![0usize; nodes.len()];
    let mut done = vec![0usize; nodes.len()];
    for (index, node) in nodes.iter().enumerate() {
        let inputs = || node.description.inputs.iter().zip(&node.inputs);
        let Some(source) = sources[index] else {
            done[index] = inputs().flat_map(|(_, links)| links).map(|o| done[o.node]).max().unwrap_or(0);
            continue;
        };
        if node.description.shape == Shape::Source {
            continue;
        }
        let mut earliest = 0;
        for (port, links) in inputs() {
            for &OutputRef { node: giver, .. } in links {
                let row = matches!(port.kind, PortType::Table | PortType::Motion)
                    && !port.whole
                    && nodes[giver].description.shape == Shape::Measure
                    && sources[giver] == Some(source);
                let at = if port.kind == PortType::Frames || row { pass[giver] } else { done[giver] };
                earliest = earliest.max(at);
            }
        }
        pass[index] = earliest;
        done[index] = earliest + 1;
    }
    let is_value = |index: &usize| sources[*index].is_none();
    let ends = |index: &usize| sources[*index].is_some() && ends_in_pass(&nodes[*index]);
    let levels = (0..nodes.len()).filter(ends).map(|i| pass[i] + 1).max().unwrap_or(0);
    let mut stages = Vec::new();
    for level in 0..=levels {
        if level > 0 {
            stages.extend(passes_of(nodes, &sources, &pass, level - 1).into_iter().map(Stage::Pass));
        }
        stages.extend((0..nodes.len()).filter(is_value).filter(|i| done[*i] == level).map(Stage::Value));
    }
    stages
}

fn ends_in_pass(node: &PlanNode) -> bool {
    matches!(node.description.shape, Shape::Measure | Shape::Reduce | Shape::Sink)
}

/// The source whose frames each node works on; `None` for nodes that work on values.
pub(crate) fn sources(nodes: &[PlanNode]) -> Vec<Option<usize>> {
    let mut sources: Vec<Option<usize>> = Vec::with_capacity(nodes.len());
    for (index, node) in nodes.iter().enumerate() {
        let source = if node.description.shape == Shape::Source {
            Some(index)
        } else {
            frames_of(node).first().and_then(|output| sources[output.node])
        };
        sources.push(source);
    }
    sources
}

/// What is linked to a node's ports for frames.
pub(crate) fn frames_of(node: &PlanNode) -> Vec<OutputRef> {
    let ports = node.description.inputs.iter().zip(&node.inputs);
    ports.filter(|(port, _)| port.kind == PortType::Frames).flat_map(|(_, links)| links.iter().copied()).collect()
}

fn passes_of(nodes: &[PlanNode], sources: &[Option<usize>], pass: &[usize], level: usize) -> Vec<Pass> {
    let mut passes = Vec::new();
    for source in (0..nodes.len()).filter(|i| nodes[*i].description.shape == Shape::Source) {
        let mut wanted = vec![false; nodes.len()];
        // Backwards, so that a map is reached after all that needs its frames.
        for index in (0..nodes.len()).rev().filter(|i| sources[*i] == Some(source)) {
            if ends_in_pass(&nodes[index]) && pass[index] == level {
                wanted[index] = true;
            }
            if wanted[index] {
                frames_of(&nodes[index]).iter().for_each(|output| wanted[output.node] = true);
            }
        }
        let members: Vec<usize> = (0..nodes.len()).filter(|i| wanted[*i] && *i != source).collect();
        if !members.is_empty() {
            passes.push(Pass { source, nodes: members });
        }
    }
    passes
}

/// Which passes a plan reads: source, and how many times before.
pub fn readings(plan: &Plan) -> Vec<(usize, &Pass)> {
    let mut seen = vec![0usize; plan.nodes.len()];
    let mut found = Vec::new();
    for stage in &plan.stages {
        if let Stage::Pass(pass) = stage {
            found.push((seen[pass.source], pass));
            seen[pass.source] += 1;
        }
    }
    found
}
