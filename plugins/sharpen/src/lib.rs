//! Sharpens stacks without inventing detail
