//! The plugin host: methods from shared libraries, behind the same traits as those that are linked.
//!
//! A library is code: to look into it is to run it. So libraries come only from folders that somebody named and nobody
//! else can write to, a scan happens in a process of its own ([`scan`]), a lock file holds a library to its bytes
//! ([`Lock`]), and [`check`] tries one out. What is loaded stays loaded.

#![allow(unsafe_code, reason = "the boundary is made of raw pointers; each block says why it is sound")]

mod call;
mod check;
mod folders;
mod handles;
mod library;
mod lock;
mod scaffold;
mod shapes;
mod table;
mod trial;

pub use call::HOST;
pub use check::{CheckReport, check};
pub use folders::{Earlier, HashOf, Scanned, load_scanned, scan, scan_unlocked};
pub use library::{Child, Found, Library, Look, PluginFile, checked_lines, hash_of, load, scanned_lines};
pub use lock::Lock;
pub use scaffold::new_plugin;
pub use table::adapt;

use stillair_api::{Outcome, Plugin};

/// The same plugin, called through the table that a shared library would give.
///
/// # Errors
/// If a description cannot cross.
pub fn through_table(plugin: Plugin) -> Outcome<Plugin> {
    // SAFETY: the host's table is static.
    let table = unsafe { stillair_api::abi::table(plugin, &raw const HOST) };
    // SAFETY: a table that was made just now, or null.
    unsafe { adapt(table.map_or(std::ptr::null(), std::ptr::from_ref)) }
}
