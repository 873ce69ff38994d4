//! The plugin as a shared library.

stillair_api::export!(stillair_derotate::plugin);
