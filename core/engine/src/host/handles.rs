//! What a plugin owns, each given back once and in the right order: nodes, runs, workers, items.

use std::collections::BTreeSet;
use std::ffi::c_void;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use stillair_api::abi::lend::{self, Lender};
use stillair_api::abi::prefix::blank;
use stillair_api::abi::raw;
use stillair_api::{Bound, Fault, FrameInput, Outcome, PortType, Row, Scratch, Table, Value};

use super::call::{Call, State};
use super::table::Loaded;

/// A function of the table that must be there, called.
macro_rules! ask {
    ($loaded:expr, $name:ident($($argument:expr),*)) => {{
        let function = $loaded.table.$name.ok_or_else(|| $loaded.lacks(stringify!($name)))?;
        // SAFETY: the function is the plugin's, and is called as the boundary says: with its own pointers, and with
        // views that live while the call lasts.
        unsafe { function($($argument),*) }
    }};
}

pub(super) use ask;

/// A node of the plugin's.
pub(super) struct NodeHandle {
    pub loaded: Arc<Loaded>,
    pub pointer: *mut c_void,
}

// SAFETY: the boundary lets a node be used from any thread.
unsafe impl Send for NodeHandle {}
// SAFETY: as above.
unsafe impl Sync for NodeHandle {}

impl Drop for NodeHandle {
    fn drop(&mut self) {
        if let Some(destroy) = self.loaded.table.destroy {
            // SAFETY: the node came from `create` and is given back once, after its runs, which hold this handle.
            unsafe { destroy(self.pointer) };
        }
    }
}

/// A run of the plugin's.
pub(super) struct RunHandle {
    pub node: Arc<NodeHandle>,
    pub pointer: *mut c_void,
    /// Keeps the layers of motions where the plugin saw them at the start.
    pub bound: Bound,
    /// For a run that wants one call at a time.
    pub lock: Option<Arc<Mutex<()>>>,
    /// How many frames the values of this run may speak of.
    pub frames: BTreeSet<usize>,
}

// SAFETY: the boundary lets a run be used from any thread; `locked` keeps what the table asks for.
unsafe impl Send for RunHandle {}
// SAFETY: as above.
unsafe impl Sync for RunHandle {}

impl Drop for RunHandle {
    fn drop(&mut self) {
        if let Some(stop) = self.node.loaded.table.stop {
            // SAFETY: the run came from `start` and is given back once, after its workers and items, which hold this
            // handle.
            unsafe { stop(self.pointer) };
        }
    }
}

/// A worker of the plugin's, or why there is none.
pub(super) struct WorkerHandle {
    pub run: Arc<RunHandle>,
    pub pointer: Outcome<*mut c_void>,
}

// SAFETY: a worker belongs to one thread at a time.
unsafe impl Send for WorkerHandle {}

impl Drop for WorkerHandle {
    fn drop(&mut self) {
        if let (Ok(pointer), Some(drop_worker)) = (&self.pointer, self.run.node.loaded.table.drop_worker)
            && !pointer.is_null()
        {
            // SAFETY: the worker came from `worker` and is given back once.
            unsafe { drop_worker(*pointer) };
        }
    }
}

/// An item of the plugin's between `frame` and `add`.
pub(super) struct ItemHandle {
    pub run: Arc<RunHandle>,
    pub pointer: *mut c_void,
}

// SAFETY: the boundary lets an item move between threads.
unsafe impl Send for ItemHandle {}

impl Drop for ItemHandle {
    fn drop(&mut self) {
        if let Some(drop_item) = self.run.node.loaded.table.drop_item
            && !self.pointer.is_null()
        {
            // SAFETY: the item came from `frame` and was not added: `add` takes the pointer out.
            unsafe { drop_item(self.pointer) };
        }
    }
}

impl RunHandle {
    pub fn loaded(&self) -> &Loaded {
        &self.node.loaded
    }

    pub fn locked(&self) -> Option<MutexGuard<'_, ()>> {
        self.lock.as_ref().map(|l| l.lock().unwrap_or_else(PoisonError::into_inner))
    }

    pub fn worker(self: &Arc<Self>) -> Scratch {
        let make = || {
            let mut pointer = std::ptr::null_mut();
            if let Some(worker) = self.loaded().table.worker {
                let call = Call::default();
                // SAFETY: as the boundary says.
                let status = unsafe { worker(self.pointer, call.handle(), &raw mut pointer) };
                call.end(status)?;
            }
            Ok(pointer)
        };
        Box::new(WorkerHandle { run: self.clone(), pointer: make() })
    }

    /// Calls `frame`; gives what the plugin said, and its item.
    pub fn frame<'s>(
        &self,
        worker: *mut c_void,
        input: &FrameInput<'_>,
        state: State<'s>,
    ) -> Outcome<(State<'s>, *mut c_void)> {
        let frame = lend::frame(input.frame);
        let mut lender = Lender::default();
        let placement = input.placement.map_or(std::ptr::null(), |p| lender.placement(p));
        let view =
            raw::InputView { frame: &raw const frame, placement, has_row: input.row.is_some().into(), ..blank() };
        self.frame_view(worker, &view, input.row.as_ref(), state)
    }

    pub fn frame_view<'s>(
        &self,
        worker: *mut c_void,
        view: &raw::InputView,
        row: Option<&Row<'_>>,
        state: State<'s>,
    ) -> Outcome<(State<'s>, *mut c_void)> {
        let mut item = std::ptr::null_mut();
        let lookup = |column: &str| row.and_then(|row| row.get(column));
        let call = Call { row: Some(&lookup), state: Mutex::new(state), ..Call::default() };
        let _one = self.locked();
        let status = ask!(self.loaded(), frame(self.pointer, call.handle(), worker, view, &raw mut item));
        Ok((call.end(status)?, item))
    }

    /// The outputs in the order of the description's ports.
    pub fn values(&self, mut state: State<'_>) -> Outcome<Vec<Value>> {
        let description = &self.loaded().description;
        let bound = self.bound.values.values().flatten();
        let bound: Vec<&Table> =
            bound.filter_map(|v| if let Value::Table(t) = v { Some(t.as_ref()) } else { None }).collect();
        let mut values = Vec::new();
        for (number, port) in description.outputs.iter().enumerate() {
            let wrong = |what: &str| Fault::internal(format!("{}: {what} `{}`", description.method, port.name));
            let value = state.values.remove(&number).ok_or_else(|| wrong("the plugin gave nothing for its output"))?;
            let fits = match (&value, port.kind) {
                (Value::Table(table), PortType::Table) => self.is_length(table.rows()),
                (Value::Motion(motion), PortType::Motion) => {
                    let global = motion.global.as_ref().is_none_or(|g| self.is_length(g.len()));
                    let spin = motion.spin.as_ref().is_none_or(|s| self.is_length(s.turn_rad.len()));
                    let whole = |l: &stillair_api::LocalLayer| {
                        let nodes = l.nodes[0].saturating_mul(l.nodes[1]).max(1);
                        l.shift_px.len().is_multiple_of(nodes) && self.is_length(l.shift_px.len() / nodes)
                    };
                    global && spin && motion.local.as_ref().is_none_or(|l| whole(l))
                }
                (Value::Image(_), PortType::Image) | (Value::Record(_), PortType::Record) => true,
                _ => return Err(wrong("the plugin gave a value of another type for its output")),
            };
            if !fits {
                return Err(wrong("the plugin gave a value with another number of frames for its output"));
            }
            values.push(match value {
                // Columns that a bound table has already came back as copies.
                Value::Table(table) => Value::Table(Arc::new(table.sharing(&bound))),
                other => other,
            });
        }
        Ok(values)
    }

    pub fn is_length(&self, frames: usize) -> bool {
        self.frames.is_empty() || self.frames.contains(&frames)
    }
}
