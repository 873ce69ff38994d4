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
}

/// Bounds a run's memory for clips of the given shapes (by source node), `threads` workers and a budget; the number of
/// frames in flight shrinks until the budget is kept, down to one per worker.
pub fn memory_bound(
    plan: &Plan,
    nodes: &[Option<Node>],
    shapes: &HashMap<usize, StreamShape>,
    threads: usize,
    budget_bytes: u64,
) -> MemoryBound {
    let streams = stream_shapes(plan, nodes, shapes);
    let standing_bytes = BASE_BYTES + tables_bytes(plan, &streams);
    let mut stage_bytes = Vec::new();
    let mut batches = Vec::new();
    for stage in &plan.stages {
        match stage {
            Stage::Value(node) => {
                let stream = largest(&streams);
                stage_bytes.push(memory(&nodes[*node], stream).state + memory(&nodes[*node], stream).worker);
                batches.push(0);
            }
            Stage::Pass(pass) => {
                let mut batch = threads * FRAMES_PER_WORKER;
                let mut bytes = pass_bytes(pass, nodes, &streams, threads, batch);
                while standing_bytes + bytes > budget_bytes && batch > threads {
                    batch = (batch / 2).max(threads);
                    bytes = pass_bytes(pass, nodes, &streams, threads, batch);
                }
                stage_bytes.push(bytes);
                batches.push(batch);
            }
        }
    }
    let total_bytes = standing_bytes + stage_bytes.iter().copied().max().unwrap_or(0);
    MemoryBound { total_bytes, standing_bytes, stage_bytes, batch: batches }
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
    threads: usize,
    batch: usize,
) -> u64 {
    let source = streams.get(&pass.source).copied().unwrap_or_else(|| largest(streams));
    let read = source.frame_bytes() + (source.width * source.height * source.planes) as u64 * STORED_SAMPLE_BYTES;
    let mut worker = read;
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
