//! `stillair schema`: what editors and other programs need to know of recipes and sessions.

use stillair_engine::schema::{catalogue_dump, recipe_schema, session_schema};

use crate::arguments::{Global, Schema, SchemaOf};
use crate::failure::Failure;
use crate::{plugins, say};

/// Prints a schema, or the catalogue.
pub fn schema(verb: &Schema, global: &Global) -> Result<(), Failure> {
    let value = match verb.what {
        SchemaOf::Recipe => recipe_schema(&plugins::catalogue(global)?),
        SchemaOf::Session => session_schema(),
        SchemaOf::Catalogue => catalogue_dump(&plugins::catalogue(global)?),
    };
    say::out(&format!("{value:#}"));
    Ok(())
}
