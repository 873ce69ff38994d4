//! Recipe to plan.
//!
//! A recipe is read into a tree that remembers where everything stands, merged with the recipes it extends and with
//! the settings of the command line, checked step by step against the methods' descriptions, expanded to as many
//! nodes as there are files, and cut into passes. Nothing here opens a capture. Every complaint is gathered, not the
//! first only, each with its place, its cause and its remedy.

mod check;
mod columns;
mod expand;
mod expect;
mod graph;
mod merge;
mod order;
mod parameters;
mod passes;
mod recipe;
mod text;
pub(crate) mod tree;

use std::collections::BTreeMap;
use std::path::PathBuf;

pub use check::{READER, type_name};
pub use graph::{graph_dot, graph_text};
pub use parameters::{default_text, show, wants};
pub use passes::readings;
pub use recipe::SCHEMA;

use crate::catalogue::Catalogue;
use crate::diagnostic::{Diagnostics, Log};
use crate::plan::{Plan, Replaced, Variant};
use recipe::Recipe;

/// A recipe as a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipeText {
    /// Name that others extend it by; for a file its stem.
    pub name: String,
    /// Where it comes from, for messages.
    pub path: PathBuf,
    /// The TOML.
    pub text: String,
}

/// How many files there are for each input of the recipe.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Given {
    /// Number of files by input name.
    pub inputs: BTreeMap<String, usize>,
}

impl Given {
    /// One file for each required input: enough to check a recipe without a capture.
    pub fn assumed(inputs: &[InputDeclaration]) -> Self {
        Self { inputs: inputs.iter().filter(|i| !i.optional).map(|i| (i.name.clone(), 1)).collect() }
    }
}

/// A setting from outside the recipe: `step.parameter=value`, `step.port=@link` or `step.use=method`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Override {
    /// As given.
    pub text: String,
    /// Where it was given, for messages: `--set`, say.
    pub origin: String,
}

impl Override {
    /// A setting given with `--set`.
    pub fn set(text: &str) -> Self {
        Self { text: text.into(), origin: "--set".into() }
    }
}

/// Finds recipes by name, for `extends`.
pub trait Library {
    /// The recipe of that name.
    fn find(&self, name: &str) -> Option<RecipeText>;

    /// All names, for suggestions.
    fn names(&self) -> Vec<String>;
}

/// A library without recipes.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoLibrary;

impl Library for NoLibrary {
    fn find(&self, _name: &str) -> Option<RecipeText> {
        None
    }

    fn names(&self) -> Vec<String> {
        Vec::new()
    }
}

/// An input that a recipe declares.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InputDeclaration {
    /// Name.
    pub name: String,
    /// What it is.
    pub help: String,
    /// Whether it takes several files.
    pub many: bool,
    /// Whether it may be left out.
    pub optional: bool,
}

/// The inputs that a recipe declares, those it extends included.
///
/// # Errors
/// All that is wrong with the outline of the recipe.
pub fn inputs(text: &RecipeText, library: &dyn Library) -> Result<Vec<InputDeclaration>, Diagnostics> {
    let mut log = Log::default();
    let recipe = merge::load(&mut log, text, library);
    let Some(recipe) = recipe.filter(|_| log.errors() == 0) else { return Err(log.finish()) };
    let declare = |input: recipe::RawInput| InputDeclaration {
        name: input.name.name,
        help: input.help,
        many: input.many,
        optional: input.optional,
    };
    Ok(recipe.inputs.into_iter().map(declare).collect())
}

/// Compiles a recipe into a plan.
///
/// # Errors
/// All that is wrong with the recipe, the settings and the number of files, and all warnings.
pub fn compile(
    text: &RecipeText,
    catalogue: &Catalogue,
    given: &Given,
    overrides: &[Override],
    library: &dyn Library,
) -> Result<Plan, Diagnostics> {
    let mut log = Log::default();
    let plan = compile_into(&mut log, text, catalogue, given, overrides, library);
    let failed = log.errors() > 0;
    let found = log.finish();
    match plan {
        Some(mut plan) if !failed => {
            plan.warnings = found.list;
            Ok(plan)
        }
        _ => Err(found),
    }
}

fn compile_into(
    log: &mut Log,
    text: &RecipeText,
    catalogue: &Catalogue,
    given: &Given,
    overrides: &[Override],
    library: &dyn Library,
) -> Option<Plan> {
    let mut recipe = merge::load(log, text, library)?;
    let settings = merge::settings(log, overrides);
    let changed = recipe.extends.is_some() || !settings.is_empty();
    let plain = recipe.clone();
    merge::apply(log, &mut recipe, settings);
    let (checked, graph) = check_graph(log, &recipe, catalogue);
    let live = order::dead(log, &checked, &graph);
    for variant in &plain.variants {
        let mut varied = plain.clone();
        let before = log.mark();
        merge::apply(log, &mut varied, variant.settings.clone());
        check_graph(log, &varied, catalogue);
        log.tag_since(before, &format!("in the variant `{}`, ", variant.name.name));
    }
    let expectations = expect::read(log, &recipe, &checked, catalogue);
    let counts = expand::counts(log, &recipe, given);
    if log.errors() > 0 {
        return None;
    }
    let order = order::topological(&graph);
    let mut plan = expand::expand(log, &recipe, &checked, &order, &live, counts);
    if log.errors() > 0 {
        return None;
    }
    if plan.nodes.is_empty() {
        log.error(&recipe.place, "the recipe gives nothing")
            .cause("no result, no written file and no record comes out of it")
            .remedy("name a result: `[results]` and `picture = \"@step\"`");
        return None;
    }
    plan.name = recipe.name.clone().unwrap_or_else(|| text.name.clone());
    plan.summary = recipe.summary.clone();
    plan.recipe = if changed { text::write(&recipe, &plan.name) } else { text.text.clone() };
    plan.replaced = replaced(&recipe);
    plan.stages = passes::stages(&plan.nodes);
    plan.variants = recipe.variants.iter().map(variant).collect();
    plan.expectations = expectations;
    Some(plan)
}

fn check_graph<'c>(log: &mut Log, recipe: &Recipe, catalogue: &'c Catalogue) -> (check::Checked<'c>, order::Graph) {
    let checked = check::check(log, recipe, catalogue);
    let graph = order::graph(&checked);
    order::loops(log, &checked, &graph);
    columns::check(log, recipe, &checked, &graph, catalogue);
    (checked, graph)
}

/// The steps whose method is not the one that the recipe, or the one it extends, names first.
fn replaced(recipe: &Recipe) -> Vec<Replaced> {
    let of = |step: &recipe::RawStep| {
        let (method, before) = (step.get("use")?.item.text()?, step.before.clone()?);
        let replaced = || Replaced { step: step.name.name.clone(), method: method.into(), before: before.clone() };
        (method != before).then(replaced)
    };
    recipe.steps.iter().filter_map(of).collect()
}

fn variant(raw: &recipe::RawVariant) -> Variant {
    let setting = |(step, key, item): &(tree::Key, tree::Key, tree::Item)| {
        format!("{}.{}={}", step.name, key.name, tree::write_value(item))
    };
    Variant { name: raw.name.name.clone(), settings: raw.settings.iter().map(setting).collect() }
}

#[cfg(test)]
mod tests;
