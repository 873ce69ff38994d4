//! The graph of steps: loops, the order of work, and what nothing needs.

use std::collections::{BTreeSet, VecDeque};

use petgraph::Direction;
use petgraph::algo::tarjan_scc;
use petgraph::graph::{DiGraph, NodeIndex};
use petgraph::visit::EdgeRef;
use stillair_api::{PortType, Shape};

use super::check::{Checked, End, Link};
use crate::diagnostic::{Log, Place};

/// A graph of steps; an edge leads from giver to taker and holds the taker's port and the link's place.
pub(crate) type Graph = DiGraph<(), (usize, Place)>;

/// The graph of a checked recipe's steps; node indices are step indices.
pub(crate) fn graph(checked: &Checked<'_>) -> Graph {
    let mut graph = Graph::new();
    for _ in &checked.steps {
        graph.add_node(());
    }
    for (taker, step) in checked.steps.iter().enumerate() {
        let ports = step.iter().flat_map(|s| s.links.iter().enumerate());
        for (port, links) in ports {
            for link in links {
                if let End::Step(giver) = link.end {
                    graph.add_edge(NodeIndex::new(giver), NodeIndex::new(taker), (port, link.place.clone()));
                }
            }
        }
    }
    graph
}

/// Complains of every loop by name.
pub(crate) fn loops(log: &mut Log, checked: &Checked<'_>, graph: &Graph) {
    for group in tarjan_scc(graph) {
        let group: BTreeSet<NodeIndex> = group.into_iter().collect();
        let Some(&first) = group.first() else { continue };
        let Some((path, place)) = shortest_loop(graph, &group, first) else { continue };
        let name = |node: NodeIndex| checked.steps[node.index()].as_ref().map_or("?", |s| s.name.name.as_str());
        let names: Vec<_> = path.iter().map(|n| name(*n)).collect();
        log.error(&place, format!("the steps form a loop: {}", names.join(" -> ")))
            .cause(format!("`{}` would need its own result", name(first)))
            .remedy("take one of these links away");
    }
}

/// The shortest way from a node back to itself within a group, in the direction of flow, and the place of its last
/// link.
fn shortest_loop(graph: &Graph, group: &BTreeSet<NodeIndex>, first: NodeIndex) -> Option<(Vec<NodeIndex>, Place)> {
    let mut from: Vec<Option<NodeIndex>> = vec![None; graph.node_count()];
    let mut queue = VecDeque::from([first]);
    while let Some(node) = queue.pop_front() {
        // Newest edges come first, so reverse them to follow the file's order.
        let mut edges: Vec<_> = graph.edges_directed(node, Direction::Outgoing).collect();
        edges.reverse();
        for edge in edges {
            let target = edge.target();
            if target == first {
                let mut path = vec![first, node];
                let mut at = node;
                while at != first {
                    at = from[at.index()]?;
                    path.push(at);
                }
                if node == first {
                    path.truncate(1);
                    path.push(first);
                }
                path.reverse();
                return Some((path, edge.weight().1.clone()));
            }
            if group.contains(&target) && from[target.index()].is_none() {
                from[target.index()] = Some(node);
                queue.push_back(target);
            }
        }
    }
    None
}

/// Givers before takers, otherwise in the order of the file. Nodes of a loop are left out.
pub(crate) fn topological(graph: &Graph) -> Vec<usize> {
    let mut waiting: Vec<usize> =
        graph.node_indices().map(|n| graph.edges_directed(n, Direction::Incoming).count()).collect();
    let mut ready: BTreeSet<usize> = (0..waiting.len()).filter(|n| waiting[*n] == 0).collect();
    let mut order = Vec::with_capacity(waiting.len());
    while let Some(node) = ready.pop_first() {
        order.push(node);
        for edge in graph.edges_directed(NodeIndex::new(node), Direction::Outgoing) {
            let target = edge.target().index();
            waiting[target] -= 1;
            if waiting[target] == 0 {
                ready.insert(target);
            }
        }
    }
    order
}

/// Which steps lead to a result, a sink or a record; the rest is told to the log as a warning.
pub(crate) fn dead(log: &mut Log, checked: &Checked<'_>, graph: &Graph) -> Vec<bool> {
    let mut live = vec![false; checked.steps.len()];
    let mut queue: Vec<usize> = Vec::new();
    let is_end = |index: usize| {
        checked.steps[index].as_ref().is_none_or(|s| {
            let description = &s.listed.description;
            description.shape == Shape::Sink || description.outputs.iter().any(|p| p.kind == PortType::Record)
        })
    };
    let of_results = checked.results.iter().filter_map(|r| step_of(&r.link));
    queue.extend((0..live.len()).filter(|i| is_end(*i)).chain(of_results));
    while let Some(node) = queue.pop() {
        if !std::mem::replace(&mut live[node], true) {
            queue.extend(graph.neighbors_directed(NodeIndex::new(node), Direction::Incoming).map(NodeIndex::index));
        }
    }
    if checked.steps.iter().any(Option::is_none) {
        // Where a method is not known, nor is what it needs.
        return live;
    }
    for step in checked.steps.iter().zip(&live).filter(|(_, live)| !**live).filter_map(|(step, _)| step.as_ref()) {
        log.warning(&step.name.place, format!("nothing needs the step `{}`", step.name.name))
            .cause("it leads to no result, no written file and no record, so it is left out")
            .remedy("link it, name it under [results], or remove it");
    }
    live
}

fn step_of(link: &Link) -> Option<usize> {
    if let End::Step(index) = link.end { Some(index) } else { None }
}
