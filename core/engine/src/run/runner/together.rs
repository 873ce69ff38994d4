//! Steps that work on finished values, side by side as far as they do not need each other.
//!
//! A step begins when its inputs are there, a thread is free and the memory it may take fits beside that of the steps
//! at work. Steps on which the longest chain of others waits begin first. What a step gives does not depend on what
//! runs beside it, so results are the same on any number of threads.

use std::cell::Cell;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use stillair_api::{Bound, Fault, Node, Outcome, Value};

use super::super::folder::RunFolder;
use super::super::output::{Making, Written};
use super::super::reuse::Reuse;
use super::super::store::Store;
use super::{Progress, Ready, Run, keep};
use crate::plan::OutputRef;

thread_local! {
    /// Time that this thread spent on steps while another one of its steps waited for parts of its own work.
    static NESTED: Cell<Duration> = const { Cell::new(Duration::ZERO) };
}

/// A run's books, and how far the steps are.
struct Books<'b, 'r> {
    store: &'b mut Store,
    reuse: &'b mut Reuse<'r>,
    progress: &'b mut Progress,
    /// Inputs of each step that are not there yet.
    missing: Vec<usize>,
    begun: Vec<bool>,
    at_work: usize,
    /// Memory that the steps at work may take, and what of it was taken from the spare budget, bytes.
    held: u64,
    borrowed: u64,
    /// The first step in the plan's order that failed so far.
    failed: Option<(usize, Fault)>,
}

/// The steps that run side by side.
pub(super) struct Together<'a> {
    pub run: &'a Run<'a>,
    pub ready: &'a Ready,
    pub folder: &'a RunFolder,
    /// Nodes, in the plan's order.
    pub nodes: &'a [usize],
    /// Memory that each of them may take, bytes.
    pub needs: &'a [u64],
}

/// What a step left.
struct Left {
    outputs: Vec<(OutputRef, Value)>,
    written: Option<Written>,
    seconds: f64,
}

impl Together<'_> {
    /// Runs all of them.
    ///
    /// # Errors
    /// If a step fails, of several the first in the plan's order, or if the run is to stop.
    pub fn carry_out(
        &self,
        store: &mut Store,
        reuse: &mut Reuse<'_>,
        progress: &mut Progress,
    ) -> Result<(), (Fault, Option<String>)> {
        let plan = self.run.plan;
        let own = |output: &&OutputRef| self.nodes.contains(&output.node);
        let inputs = |node: usize| plan.nodes[node].inputs.iter().flatten();
        let books = Mutex::new(Books {
            store,
            reuse,
            progress,
            missing: self.nodes.iter().map(|n| inputs(*n).filter(own).count()).collect(),
            begun: vec![false; self.nodes.len()],
            at_work: 0,
            held: 0,
            borrowed: 0,
            failed: None,
        });
        let order = self.order();
        rayon::scope(|scope| self.begin(scope, &books, &order));
        let books = books.into_inner().unwrap_or_else(PoisonError::into_inner);
        match books.failed {
            Some((at, fault)) => Err((fault, Some(plan.nodes[self.nodes[at]].step.clone()))),
            None if books.begun.contains(&false) => Err((Fault::cancelled(), None)),
            None => Ok(()),
        }
    }

    /// Places in `nodes`, those first on which the longest chain waits.
    fn order(&self) -> Vec<usize> {
        let plan = self.run.plan;
        let mut heights = vec![0; self.nodes.len()];
        for at in (0..self.nodes.len()).rev() {
            for output in plan.nodes[self.nodes[at]].inputs.iter().flatten() {
                if let Some(before) = self.nodes.iter().position(|n| *n == output.node) {
                    heights[before] = heights[before].max(heights[at] + 1);
                }
            }
        }
        let mut order: Vec<usize> = (0..self.nodes.len()).collect();
        order.sort_by_key(|at| (std::cmp::Reverse(heights[*at]), *at));
        order
    }

    /// Begins what can begin.
    fn begin<'s>(&'s self, scope: &rayon::Scope<'s>, books: &'s Mutex<Books<'_, '_>>, order: &'s [usize]) {
        let mut open = lock(books);
        while let Some(at) = self.next(&mut open, order) {
            scope.spawn(move |scope| {
                self.step(at, books);
                self.begin(scope, books, order);
            });
        }
    }

    /// A step that can begin, entered into the books.
    fn next(&self, books: &mut Books<'_, '_>, order: &[usize]) -> Option<usize> {
        let stop = books.failed.is_some() || self.run.shared.cancel.is_set();
        if stop || books.at_work >= self.run.threads {
            return None;
        }
        let can = |at: &&usize| books.missing[**at] == 0 && !books.begun[**at];
        let at =
            *order.iter().filter(can).find(|at| books.at_work == 0 || self.admit(books.held, books.borrowed, **at))?;
        books.begun[at] = true;
        books.at_work += 1;
        books.held += self.needs[at];
        books.borrowed = self.over(books.held);
        Some(at)
    }

    /// What so many bytes are beyond the largest single step, for which the budget has room in any case.
    fn over(&self, held: u64) -> u64 {
        held.saturating_sub(self.ready.bound.total_bytes - self.ready.bound.standing_bytes)
    }

    /// Takes what a step needs beside the others from the spare budget, if it is there.
    fn admit(&self, held: u64, borrowed: u64, at: usize) -> bool {
        self.run.shared.take(self.over(held + self.needs[at]) - borrowed)
    }

    fn step(&self, at: usize, books: &Mutex<Books<'_, '_>>) {
        let index = self.nodes[at];
        let (plan, context) = (self.run.plan, &self.run.contexts[index]);
        let reused = {
            let books = &mut *lock(books);
            let Progress { tables, nodes, .. } = &mut *books.progress;
            match books.reuse.load(index, tables, &[], context, &mut nodes[index]) {
                Some(outputs) => Ok(outputs),
                None => Err(books.store.bound(plan, index, &self.ready.provenance, &[])),
            }
        };
        let left = match reused {
            Ok(outputs) => Ok((true, Left { outputs, written: None, seconds: 0.0 })),
            Err(bound) => self.work(index, &bound).map(|left| (false, left)),
        };
        let mut books = lock(books);
        let books = &mut *books;
        books.at_work -= 1;
        books.held -= self.needs[at];
        let over = self.over(books.held);
        self.run.shared.give(books.borrowed - over);
        books.borrowed = over;
        match left {
            Ok((reused, left)) => {
                if !reused {
                    let record = &mut books.progress.nodes[index];
                    record.seconds += left.seconds;
                    record.sweeps += 1;
                    record.why = books.reuse.why(index);
                    books.progress.written.extend(left.written);
                    books.reuse.save(&[index], &left.outputs, self.run.contexts);
                }
                keep(plan, books.store, books.progress, left.outputs);
                books.store.done(plan, index);
                for (missing, node) in books.missing.iter_mut().zip(self.nodes) {
                    *missing -= plan.nodes[*node].inputs.iter().flatten().filter(|o| o.node == index).count();
                }
            }
            Err(fault) => {
                if books.failed.as_ref().is_none_or(|(first, _)| at < *first) {
                    books.failed = Some((at, fault));
                }
            }
        }
    }

    /// Runs a transform or a sink of values. What this thread does for other steps meanwhile is not counted.
    fn work(&self, index: usize, bound: &Bound) -> Outcome<Left> {
        let (clock, outer) = (Instant::now(), NESTED.take());
        let node = &self.run.plan.nodes[index];
        let context = &self.run.contexts[index];
        let mut left = Left { outputs: Vec::new(), written: None, seconds: 0.0 };
        let done = match &self.ready.nodes[index] {
            Some(Node::Transform(transform)) => transform.run(context, bound).map(|values| {
                let numbered = values.into_iter().enumerate();
                left.outputs = numbered.map(|(port, v)| (OutputRef { node: index, port }, v)).collect();
            }),
            Some(Node::Sink(sink)) => {
                let name = format!("{}.{}", sink.file_stem(), node.description.extension);
                let write = || -> Outcome<Written> {
                    let mut making = Making::start(&self.folder.path().join("results").join(name))?;
                    let mut run = sink.start(context, bound, None)?;
                    run.begin(context, making.writer()).map_err(|f| making.named(f))?;
                    run.end(context, making.writer()).map_err(|f| making.named(f))?;
                    making.finish(self.folder.path())
                };
                write().map(|written| left.written = Some(written))
            }
            _ => Err(Fault::internal("a node of values is neither a transform nor a sink")),
        };
        context.release();
        let whole = clock.elapsed();
        left.seconds = whole.saturating_sub(NESTED.get()).as_secs_f64();
        NESTED.set(outer + whole);
        done.map(|()| left)
    }
}

/// The books, even if a step panicked: the run ends then, with what they hold.
fn lock<'a, 'b, 'r>(books: &'a Mutex<Books<'b, 'r>>) -> MutexGuard<'a, Books<'b, 'r>> {
    books.lock().unwrap_or_else(PoisonError::into_inner)
}
