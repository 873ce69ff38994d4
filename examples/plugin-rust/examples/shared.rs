//! The plugin as a shared library.

stillair_api::export!(example_laplace::plugin);
