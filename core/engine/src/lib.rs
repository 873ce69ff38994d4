//! Two wings that share only the plan.
//!
//! [`compile`] turns a recipe into a [`plan::Plan`]: it reads the TOML with its places, checks every step against the
//! method's description, links ports, and cuts the graph into passes. [`run`] carries a plan out: it opens the inputs,
//! streams frames through fused maps and measures, adds in frame order, and writes the run folder. Neither knows the
//! other's insides. [`cache`] keeps what was worked out before. [`session`] reads what the observer knows. [`catalogue`] holds the methods at hand.

pub mod cache;
pub mod catalogue;
pub mod compile;
pub mod diagnostic;
pub mod host;
pub mod pack;
pub mod plan;
pub mod run;
pub mod schema;
pub mod session;
