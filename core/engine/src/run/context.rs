//! What a node is lent while it works.

use std::sync::Mutex;
use std::sync::atomic::{AtomicI64, Ordering};

use rayon::prelude::*;
use stillair_api::{Context, Entry};

use super::{CancelFlag, Event, Events};

/// Things shared by all nodes of a run.
pub(super) struct Shared<'a> {
    pub cancel: &'a CancelFlag,
    pub events: &'a dyn Events,
    /// Budget that is not spoken for, bytes.
    pub spare: AtomicI64,
}

impl Shared<'_> {
    /// Takes memory from the spare budget, if it is there.
    pub fn take(&self, bytes: u64) -> bool {
        let Ok(wanted) = i64::try_from(bytes) else { return false };
        let less = |spare: i64| (spare >= wanted).then_some(spare - wanted);
        self.spare.try_update(Ordering::SeqCst, Ordering::SeqCst, less).is_ok()
    }

    /// Gives memory back to the spare budget.
    pub fn give(&self, bytes: u64) {
        self.spare.fetch_add(i64::try_from(bytes).unwrap_or(i64::MAX), Ordering::SeqCst);
    }
}

/// The context of one node.
pub(super) struct NodeContext<'a> {
    shared: &'a Shared<'a>,
    step: String,
    entries: Mutex<Vec<Entry>>,
    warnings: Mutex<Vec<String>>,
    reserved: AtomicI64,
}

impl<'a> NodeContext<'a> {
    pub fn new(shared: &'a Shared<'a>, step: &str) -> Self {
        Self {
            shared,
            step: step.into(),
            entries: Mutex::default(),
            warnings: Mutex::default(),
            reserved: AtomicI64::new(0),
        }
    }

    /// Facts recorded since the last call.
    pub fn take_entries(&self) -> Vec<Entry> {
        self.entries.lock().map(|mut e| std::mem::take(&mut *e)).unwrap_or_default()
    }

    /// Warnings given since the last call.
    pub fn take_warnings(&self) -> Vec<String> {
        self.warnings.lock().map(|mut w| std::mem::take(&mut *w)).unwrap_or_default()
    }

    /// Facts recorded and warnings given so far, which stay to be taken.
    pub fn told(&self) -> (Vec<Entry>, Vec<String>) {
        let entries = self.entries.lock().map(|e| e.clone()).unwrap_or_default();
        (entries, self.warnings.lock().map(|w| w.clone()).unwrap_or_default())
    }

    /// Gives reserved memory back to the spare budget.
    pub fn release(&self) {
        let reserved = self.reserved.swap(0, Ordering::SeqCst);
        self.shared.spare.fetch_add(reserved, Ordering::SeqCst);
    }
}

impl Context for NodeContext<'_> {
    fn cancelled(&self) -> bool {
        self.shared.cancel.is_set()
    }

    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync)) {
        (0..n).into_par_iter().for_each(task);
    }

    fn record(&self, entry: Entry) {
        if let Ok(mut entries) = self.entries.lock() {
            entries.push(entry);
        }
    }

    fn warn(&self, message: &str) {
        tracing::warn!(step = self.step, "{message}");
        self.shared.events.event(&Event::Warning { step: self.step.clone(), text: message.into() });
        if let Ok(mut warnings) = self.warnings.lock() {
            warnings.push(message.into());
        }
    }

    fn reserve(&self, bytes: u64) -> bool {
        let taken = self.shared.take(bytes);
        if taken {
            self.reserved.fetch_add(bytes as i64, Ordering::SeqCst);
        }
        taken
    }
}
