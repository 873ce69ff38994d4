//! What the engine lends a node while it works.

use crate::Entry;

/// What a node may ask of the engine while it works.
pub trait Context: Sync {
    /// Whether the run was asked to stop; poll at least every 100 ms and return [`crate::Fault::cancelled`].
    fn cancelled(&self) -> bool;

    /// Runs `task(0..n)` on the engine's pool and returns when all are done. Results must not depend on the order.
    fn parallel(&self, n: usize, task: &(dyn Fn(usize) + Sync));

    /// Writes a fact into the node's part of the record.
    fn record(&self, entry: Entry);

    /// Tells the user and the record about something odd.
    fn warn(&self, message: &str);

    /// Asks for memory beyond what the description declared, from the spare budget; `false` if there is none left.
    /// Whether it is granted must not change the result.
    fn reserve(&self, bytes: u64) -> bool;
}

/// Runs `make(i)` for `0..n` on the engine's pool and gathers the results in order.
pub fn gather<T: Send>(context: &dyn Context, n: usize, make: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let slots: Vec<std::sync::Mutex<Option<T>>> = (0..n).map(|_| std::sync::Mutex::new(None)).collect();
    context.parallel(n, &|i| {
        let made = make(i);
        if let Ok(mut slot) = slots[i].lock() {
            *slot = Some(made);
        }
    });
    slots.into_iter().filter_map(|s| s.into_inner().ok().flatten()).collect()
}
