//! `stillair graph`: a recipe's steps, pass by pass, as text or in DOT.

use serde_json::json;
use stillair_engine::compile::{Given, graph_dot, graph_text};

use crate::arguments::{Global, Graph};
use crate::failure::Failure;
use crate::recipes::Recipe;
use crate::{plugins, say};

/// Shows a recipe's steps.
pub fn graph(verb: &Graph, global: &Global) -> Result<(), Failure> {
    let catalogue = plugins::catalogue(global)?;
    let recipe = Recipe::find(&verb.recipe)?;
    let plan = recipe.compile(&catalogue, &Given::assumed(&recipe.inputs), global)?;
    if global.json {
        say::json(&json!(plan));
    } else if verb.dot {
        say::out(&graph_dot(&plan));
    } else {
        say::diagnostics(&plan.warnings, false);
        say::out(&graph_text(&plan));
    }
    Ok(())
}
