//! A plugin: a named set of methods.

use crate::Method;

/// A named, versioned set of methods.
pub struct Plugin {
    /// Identity, the crate's name.
    pub id: &'static str,
    /// The crate's version.
    pub version: &'static str,
    /// The methods.
    pub methods: Vec<Box<dyn Method>>,
}

/// Declares a crate's plugin: `plugin!(disc::Disc, terrain::Terrain);` makes `pub fn plugin() -> Plugin`.
#[macro_export]
macro_rules! plugin {
    ($($method:expr),* $(,)?) => {
        /// This crate's methods.
        pub fn plugin() -> $crate::Plugin {
            $crate::Plugin {
                id: env!("CARGO_PKG_NAME"),
                version: env!("CARGO_PKG_VERSION"),
                methods: vec![$(Box::new($method)),*],
            }
        }
    };
}
