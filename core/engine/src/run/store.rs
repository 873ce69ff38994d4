//! Finished values, dropped after their last use.

use std::collections::HashMap;

use stillair_api::{Bound, Shape, Value};

use crate::plan::{OutputRef, Plan};

/// Values by output; each is dropped when nobody is left to read it.
pub(super) struct Store {
    values: HashMap<OutputRef, Value>,
    readers: HashMap<OutputRef, usize>,
}

impl Store {
    pub fn new(plan: &Plan) -> Self {
        let mut readers: HashMap<OutputRef, usize> = HashMap::new();
        for node in &plan.nodes {
            for output in node.inputs.iter().flatten() {
                *readers.entry(*output).or_default() += 1;
            }
        }
        Self { values: HashMap::new(), readers }
    }

    pub fn put(&mut self, output: OutputRef, value: Value) {
        if self.readers.get(&output).is_some_and(|n| *n > 0) {
            self.values.insert(output, value);
        }
    }

    pub fn get(&self, output: OutputRef) -> Option<&Value> {
        self.values.get(&output)
    }

    /// Values linked to a node's ports, as far as they are finished. What the plan measures while the node works comes
    /// with each frame, even where it was known before. Only what writes files is told the provenance.
    pub fn bound(&self, plan: &Plan, node: usize, provenance: &str, measured: &[usize]) -> Bound {
        let node = &plan.nodes[node];
        let provenance = if node.description.shape == Shape::Sink { provenance.into() } else { String::new() };
        let mut bound = Bound { provenance, ..Bound::default() };
        for (port, outputs) in node.description.inputs.iter().zip(&node.inputs) {
            for output in outputs.iter().filter(|o| !measured.contains(&o.node)) {
                if let Some(value) = self.get(*output) {
                    bound = bound.with(&port.name, value.clone());
                }
            }
        }
        bound
    }

    /// A node is done: its inputs lose a reader.
    pub fn done(&mut self, plan: &Plan, node: usize) {
        for output in plan.nodes[node].inputs.iter().flatten() {
            if let Some(readers) = self.readers.get_mut(output) {
                *readers = readers.saturating_sub(1);
                if *readers == 0 {
                    self.values.remove(output);
                }
            }
        }
    }
}
