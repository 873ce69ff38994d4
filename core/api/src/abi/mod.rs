//! The boundary between host and plugin: a small, versioned C interface.
//!
//! A library exports one function, `stillair_plugin`, which takes the host's table of functions ([`raw::Host`]) and
//! gives the plugin's ([`raw::PluginTable`]). Descriptions cross as JSON, everything that decides a result as numbers,
//! so that not a bit is lost. No type of Rust crosses, nothing is freed on the other side (samples that are handed over
//! bring the function that frees them), and nothing unwinds across: every function catches its own panics and says them
//! as a fault.
//!
//! Who writes a plugin in Rust never sees any of it: [`crate::plugin!`] and [`crate::export!`] do the work. Who writes
//! one in C includes `include/stillair.h`, which is generated from `numbers.rs`, `raw.rs` and `tables.rs`.

#![allow(unsafe_code, reason = "the boundary is made of raw pointers; each block says why it is sound")]

mod ask;
pub mod handed;
mod layers;
pub mod lend;
mod numbers;
pub mod prefix;
pub mod raw;
mod shim;
mod tables;
pub mod take;

pub use shim::{enter, table};

use crate::FaultKind;

/// Name of the function that a library exports.
pub const ENTRY: &str = "stillair_plugin";

/// The status of a kind of fault.
pub fn status_of(kind: FaultKind) -> i32 {
    match kind {
        FaultKind::Request => raw::STILLAIR_REQUEST,
        FaultKind::Data => raw::STILLAIR_DATA,
        FaultKind::Resource => raw::STILLAIR_RESOURCE,
        FaultKind::Cancelled => raw::STILLAIR_CANCELLED,
        FaultKind::Internal => raw::STILLAIR_INTERNAL,
    }
}

/// The kind of fault of a status; an unknown one is a mistake of the plugin.
pub fn kind_of(status: i32) -> FaultKind {
    match status {
        raw::STILLAIR_REQUEST => FaultKind::Request,
        raw::STILLAIR_DATA => FaultKind::Data,
        raw::STILLAIR_RESOURCE => FaultKind::Resource,
        raw::STILLAIR_CANCELLED => FaultKind::Cancelled,
        _ => FaultKind::Internal,
    }
}

/// What a panic says.
pub fn words_of(panic: &(dyn std::any::Any + Send)) -> &str {
    let words = panic.downcast_ref::<String>().map(String::as_str).or(panic.downcast_ref::<&str>().copied());
    words.unwrap_or("without words")
}

/// Makes a shared library of a crate that has [`crate::plugin!`]: `export!(stillair_find::plugin);` exports the one
/// function that a host looks for. It stands alone in a target of crate type `cdylib`: in a library that is linked,
/// two of them would clash, silently.
#[macro_export]
macro_rules! export {
    ($plugin:path) => {
        #[cfg(panic = "abort")]
        compile_error!("a plugin must be built with panic = \"unwind\": with \"abort\" its first panic ends the host");

        /// The function that a host looks for.
        ///
        /// # Safety
        /// `host` is a host's table, which lives to the end of the program.
        #[allow(unsafe_code)]
        #[unsafe(no_mangle)]
        pub unsafe extern "C" fn stillair_plugin(
            host: *const $crate::abi::raw::Host,
        ) -> *const $crate::abi::raw::PluginTable {
            // SAFETY: as this function's.
            unsafe { $crate::abi::enter($plugin, host) }
        }
    };
}
