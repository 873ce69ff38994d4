//! The command `stillair`.
fn main() {}
