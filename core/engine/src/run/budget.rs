//! The memory bound: computed before work starts, kept by the run.

use std::collections::HashMap;

use serde::Serialize;
use stillair_api::{Memory, Node, PortType, Shape, StreamShape};

use crate::plan::{Pass, Plan, Stage};

/// What the program itself needs: code, stacks, the table of contents.
const BASE_BYTES: u64 = 24 << 20;
/// Most frames in flight per worker thread.
const FRAMES_PER_WORKER: usize = 16;
/// Samples are stored in at most this many bytes while a frame is read.
const STORED_SAMPLE_BYTES: u64 = 2;

/// The memory that a run may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Budget {
    /// What the run keeps to, in bytes, if its clips allow.
    pub bytes: u64,
    /// What it may grow to for clips whose frames need more; the same as `bytes` for a budget that is firm.
    pub ceiling_bytes: u64,
}

impl Budget {
    /// A budget that does not grow.
    pub fn firm(bytes: u64) -> Self {
        Self { bytes, ceiling_bytes: bytes }
    }

    /// The bound under the smallest budget that holds it, doubled from `bytes` up to the ceiling, and that budget. At
    /// the ceiling the bound may be larger than the budget: such a run is to be refused.
    pub fn fit(self, bound: impl Fn(u64) -> MemoryBound) -> (u64, MemoryBound) {
        let mut budget = self.bytes;
        loop {
            let found = bound(budget);
            if found.total_bytes <= budget || budget >= self.ceiling_bytes {
                return (budget, found);
            }
            budget = budget.saturating_mul(2).clamp(1, self.ceiling_bytes);
        }
    }
}

/// An upper bound of the memory a run needs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MemoryBound {
    /// Bytes in all.
    pub total_bytes: u64,
    /// Program and finished values that several stages share.
    pub standing_bytes: u64,
    /// For each stage of the plan, the bytes it needs while it runs.
    pub stage_bytes: Vec<u64>,
    /// For each stage, frames in flight (0 for a stage of values).
    pub batch: Vec<usize>,
    /// The stages as they fit: a pass that needs more than the budget is read once for each of its reductions.
    #[serde(skip)]
    pub stages: Vec<Stage>,
}

/// Bounds a run's memory for clips of the given shapes (by source node), `threads` workers and a budget. Where a pass
/// needs more than the budget, the number of frames in flight shrinks, down to one per worker; where that is not
/// enough, its reductions are worked on one after the other, each with a reading of its own.
pub fn memory_bound(
    plan: &Plan,
    nodes: &[Option<Node>],
    shapes: &HashMap<usize, StreamShape>,
    threads: usize,
    budget_bytes: u64,
) -> MemoryBound {
    bound_with_readers(plan, nodes, shapes, &HashMap::new(), threads, budget_bytes)
}

/// The same with what each open reader needs per worker thread, by source node.
pub(super) fn bound_with_readers(
    plan: &Plan,
    nodes: &[Option<Node>],
    shapes: &HashMap<usize, StreamShape>,
    readers: &HashMap<usize, u64>,
    threads: usize,
    budget_bytes: u64,
) -> MemoryBound {
    let streams = stream_shapes(plan, nodes, shapes);
    let standing_bytes = BASE_BYTES + tables_bytes(plan, &streams);
    let (mut stages, mut stage_bytes, mut batches) = (Vec::new(), Vec::new(), Vec::new());
    let passes =
        Passes { nodes, streams: &streams, readers, threads, room: budget_bytes.saturating_sub(standing_bytes) };
    for stage in &plan.stages {
        match stage {
            Stage::Value(node) => {
                let need = memory(&nodes[*node], largest(&streams));
                stages.push(stage.clone());
                stage_bytes.push(need.state + need.worker);
                batches.push(0);
            }
            Stage::Pass(pass) => {
                let whole = passes.fit(pass);
                let parts = if whole.1 > passes.room { split(plan, pass) } else { vec![pass.clone()] };
                for part in parts {
                    let (batch, bytes) = passes.fit(&part);
                    stages.push(Stage::Pass(part));
                    stage_bytes.push(bytes);
                    batches.push(batch);
                }
            }
        }
    }
    let total_bytes = standing_bytes + stage_bytes.iter().copied().max().unwrap_or(0);
    MemoryBound { total_bytes, standing_bytes, stage_bytes, batch: batches, stages }
}

/// What the need of a pass depends on.
struct Passes<'a> {
    nodes: &'a [Option<Node>],
    streams: &'a HashMap<usize, StreamShape>,
    readers: &'a HashMap<usize, u64>,
    threads: usize,
    room: u64,
}

impl Passes<'_> {
    /// Most frames in flight that keep the room, and the bytes needed then.
    fn fit(&self, pass: &Pass) -> (usize, u64) {
        let bytes = |batch| pass_bytes(pass, self.nodes, self.streams, self.readers, self.threads, batch);
        let mut batch = self.threads * FRAMES_PER_WORKER;
        while bytes(batch) > self.room && batch > self.threads {
            batch = (batch / 2).max(self.threads);
        }
        (batch, bytes(batch))
    }
}

/// A pass as several: its measures with all that reads their fresh rows, then each other reduction or sink alone.
fn split(plan: &Plan, pass: &Pass) -> Vec<Pass> {
    let shape = |node: usize| plan.nodes[node].description.shape;
    let links = |node: usize| plan.nodes[node].inputs.iter().flatten().map(|o| o.node);
    let is_measure = |node: &usize| shape(*node) == Shape::Measure;
    let together = |node: &usize| is_measure(node) || links(*node).any(|n| pass.nodes.contains(&n) && is_measure(&n));
    let ends: Vec<usize> = pass.nodes.iter().copied().filter(|n| shape(*n) != Shape::Map).collect();
    let (first, alone): (Vec<usize>, Vec<usize>) = ends.into_iter().partition(|n| together(n));
    let mut groups: Vec<Vec<usize>> = alone.into_iter().map(|n| vec![n]).collect();
    if !first.is_empty() {
        groups.insert(0, first);
    }
    let with_maps = |ends: Vec<usize>| {
        let mut needed = ends;
        let mut at = 0;
        while at < needed.len() {
            let maps = links(needed[at]).filter(|n| pass.nodes.contains(n) && shape(*n) == Shape::Map);
            let fresh: Vec<usize> = maps.filter(|n| !needed.contains(n)).collect();
            needed.extend(fresh);
            at += 1;
        }
        let nodes = pass.nodes.iter().copied().filter(|n| needed.contains(n)).collect();
        Pass { source: pass.source, nodes }
    };
    groups.into_iter().map(with_maps).collect()
}

/// The shape of the stream that leaves each source and map, and enters each other stream node.
fn stream_shapes(
    plan: &Plan,
    nodes: &[Option<Node>],
    shapes: &HashMap<usize, StreamShape>,
) -> HashMap<usize, StreamShape> {
    let mut streams = shapes.clone();
    for (index, node) in plan.nodes.iter().enumerate() {
        if node.description.shape == Shape::Source {
            continue;
        }
        let port = node.description.inputs.iter().position(|p| p.kind == PortType::Frames);
        let upstream = port.and_then(|p| node.inputs[p].first()).and_then(|o| streams.get(&o.node)).copied();
        if let Some(stream) = upstream {
            let out = if let Some(Node::Map(map)) = &nodes[index] { map.output(stream) } else { stream };
            streams.insert(index, out);
        }
    }
    streams
}

fn largest(streams: &HashMap<usize, StreamShape>) -> StreamShape {
    let shape = streams.values().max_by_key(|s| s.frame_bytes()).copied();
    let mut shape = shape.unwrap_or(StreamShape { frames: 0, width: 0, height: 0, planes: 1 });
    shape.planes = streams.values().map(|s| s.planes).max().unwrap_or(1);
    shape
}

/// Tables and motions of every node: about 16 columns of f64 a node.
fn tables_bytes(plan: &Plan, streams: &HashMap<usize, StreamShape>) -> u64 {
    let frames = streams.values().map(|s| s.frames).max().unwrap_or(0) as u64;
    let columns: usize = plan.nodes.iter().map(|n| n.description.columns.len() + 4 * n.description.outputs.len()).sum();
    frames * 8 * columns as u64
}

fn memory(node: &Option<Node>, stream: StreamShape) -> Memory {
    match node {
        Some(Node::Map(map)) => map.memory(stream),
        Some(Node::Measure(measure)) => measure.memory(stream),
        Some(Node::Reduce(reduce)) => reduce.memory(stream),
        Some(Node::Transform(transform)) => transform.memory(stream),
        _ => Memory::default(),
    }
}

fn pass_bytes(
    pass: &Pass,
    nodes: &[Option<Node>],
    streams: &HashMap<usize, StreamShape>,
    readers: &HashMap<usize, u64>,
    threads: usize,
    batch: usize,
) -> u64 {
    let source = streams.get(&pass.source).copied().unwrap_or_else(|| largest(streams));
    let read = source.frame_bytes() + (source.width * source.height * source.planes) as u64 * STORED_SAMPLE_BYTES;
    let mut worker = read + readers.get(&pass.source).copied().unwrap_or(0);
    let (mut items, mut state) = (0, 0);
    for &index in &pass.nodes {
        let stream = streams.get(&index).copied().unwrap_or(source);
        let need = memory(&nodes[index], stream);
        worker += need.worker;
        items += need.item;
        state += need.state;
        match &nodes[index] {
            Some(Node::Map(_)) => worker += stream.frame_bytes(),
            Some(Node::Sink(_)) => items += stream.frame_bytes(),
            _ => {}
        }
    }
    worker * threads as u64 + items * batch as u64 + state
}
