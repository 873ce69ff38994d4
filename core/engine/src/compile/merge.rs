//! One recipe out of several texts: `extends`, `without`, and settings from the command line or a variant.

use super::recipe::{Recipe, outline};
use super::tree::{self, Item, Key, Value};
use super::{Library, Override, RecipeText};
use crate::diagnostic::{Log, Place, SourceText, suggest};

/// Reads a recipe and those it extends, the furthest first.
pub(crate) fn load(log: &mut Log, text: &RecipeText, library: &dyn Library) -> Option<Recipe> {
    let mut chain = Vec::new();
    let mut names = vec![text.name.clone()];
    let mut next = Some(text.clone());
    while let Some(text) = next.take() {
        let (file, table) = tree::parse(log, SourceText { path: text.path.display().to_string(), text: text.text });
        let recipe = outline(log, file, &table?);
        if let Some(item) = &recipe.extends {
            let name = item.text().unwrap_or_default().to_string();
            if names.contains(&name) {
                log.error(&item.place, format!("`{name}` extends itself"))
                    .cause(format!("{} -> {name}", names.join(" -> ")))
                    .remedy("let one of them stand on its own");
                return None;
            }
            next = library.find(&name);
            if next.is_none() {
                let known = library.names();
                let known = known.iter().map(String::as_str);
                log.error(&item.place, format!("there is no recipe `{name}` to extend"))
                    .remedy(suggest(&name, known, "recipe"));
                return None;
            }
            names.push(name);
        } else if let Some(item) = recipe.without.first() {
            log.error(&item.place, "`without` needs `extends`").cause("there is nothing to leave out here");
        }
        chain.push(recipe);
    }
    let mut merged = chain.pop()?;
    while let Some(child) = chain.pop() {
        merged = extend(log, merged, child);
    }
    Some(merged)
}

/// The child's word wins, key by key.
fn extend(log: &mut Log, base: Recipe, child: Recipe) -> Recipe {
    let mut merged = base;
    merged.name = child.name;
    merged.place = child.place;
    merged.extends = child.extends;
    if !child.summary.is_empty() {
        merged.summary = child.summary;
    }
    for item in &child.without {
        leave_out(log, &mut merged, item);
    }
    for input in child.inputs {
        match merged.inputs.iter_mut().find(|i| i.name.name == input.name.name) {
            Some(old) => *old = input,
            None => merged.inputs.push(input),
        }
    }
    for step in child.steps {
        match merged.steps.iter_mut().find(|s| s.name.name == step.name.name) {
            None => merged.steps.push(step),
            Some(old) => {
                let (first, rest): (Vec<_>, Vec<_>) = step.entries.into_iter().partition(|e| e.key.name == "use");
                for entry in first.into_iter().chain(rest) {
                    old.set(entry.key, entry.item);
                }
            }
        }
    }
    for (key, item) in child.results {
        match merged.results.iter_mut().find(|(k, _)| k.name == key.name) {
            Some(old) => *old = (key, item),
            None => merged.results.push((key, item)),
        }
    }
    // Variants and checks speak of the recipe they stand in, and a change may break them: only the child's own count.
    merged.variants = child.variants;
    merged.expectations = child.expectations;
    merged
}

/// Takes a step, input or result out of a recipe, and out of the lists that link to it.
fn leave_out(log: &mut Log, recipe: &mut Recipe, item: &Item) {
    let name = item.text().unwrap_or_default();
    let count = recipe.steps.len() + recipe.results.len();
    recipe.steps.retain(|s| s.name.name != name);
    recipe.results.retain(|(key, _)| key.name != name);
    if recipe.steps.len() + recipe.results.len() == count {
        let names: Vec<_> = recipe.steps.iter().map(|s| s.name.name.as_str()).collect();
        log.error(&item.place, format!("there is no step or result `{name}` to leave out")).remedy(suggest(
            name,
            names.iter().copied(),
            "step",
        ));
        return;
    }
    let to_it =
        |link: &Item| link.text().and_then(|t| t.strip_prefix('@')).is_some_and(|t| t.split('.').next() == Some(name));
    for entry in recipe.steps.iter_mut().flat_map(|s| &mut s.entries) {
        if let Value::List(links) = &mut entry.item.value {
            links.retain(|link| !to_it(link));
        }
    }
}

/// Reads settings given as `step.key=value`; complaints name the option that each came with.
pub(crate) fn settings(log: &mut Log, overrides: &[Override]) -> Vec<(Key, Key, Item)> {
    overrides.iter().filter_map(|o| setting(log, o)).collect()
}

fn setting(log: &mut Log, given: &Override) -> Option<(Key, Key, Item)> {
    let text = given.text.as_str();
    let file = log.add_file(SourceText { path: given.origin.clone(), text: text.into() });
    let place = |from: usize, to: usize| Place { file, span: from..to };
    let parts =
        text.split_once('=').and_then(|(left, _)| left.split_once('.').map(|(s, k)| (s.len(), s.len() + 1 + k.len())));
    let Some((dot, equals)) = parts else {
        log.error(&place(0, text.len()), format!("`{text}` is not a setting"))
            .remedy("write `step.parameter=value` or `step.use=method`");
        return None;
    };
    let step = text[..dot].trim();
    let key = text[dot + 1..equals].trim();
    let raw = &text[equals + 1..];
    let value = raw.trim();
    let from = equals + 1 + (raw.len() - raw.trim_start().len());
    let at = place(from, from + value.len());
    // A value that TOML does not know is taken as a text, so that words need no quotes on a command line.
    let mut scratch = Log::default();
    let source = SourceText { path: String::new(), text: format!("value = {value}") };
    let parsed = tree::parse(&mut scratch, source).1.filter(|t| t.len() == 1 && scratch.errors() == 0);
    let mut item = match parsed.and_then(|mut t| t.pop()) {
        Some((_, item)) if !matches!(item.value, Value::Time(_)) => item,
        _ => Item { value: Value::Text(value.into()), place: at.clone() },
    };
    put_at(&mut item, &at);
    let step = Key { name: step.into(), place: place(0, dot) };
    Some((step, Key { name: key.into(), place: place(dot + 1, equals) }, item))
}

fn put_at(item: &mut Item, place: &Place) {
    item.place = place.clone();
    match &mut item.value {
        Value::List(items) => items.iter_mut().for_each(|i| put_at(i, place)),
        Value::Table(table) => table.iter_mut().for_each(|(_, i)| put_at(i, place)),
        _ => {}
    }
}

/// Applies settings, methods first, since a change of method drops parameters.
pub(crate) fn apply(log: &mut Log, recipe: &mut Recipe, settings: Vec<(Key, Key, Item)>) {
    let (first, rest): (Vec<_>, Vec<_>) = settings.into_iter().partition(|(_, key, _)| key.name == "use");
    for (step, key, item) in first.into_iter().chain(rest) {
        let raw = recipe.steps.iter_mut().find(|s| s.name.name == step.name);
        let input = recipe.inputs.iter_mut().find(|i| i.name.name == step.name);
        match (raw, input) {
            (Some(raw), _) => raw.set(key, item),
            (None, Some(input)) => {
                input.reading.retain(|(old, _)| old.name != key.name);
                input.reading.push((key, item));
            }
            (None, None) => {
                let steps = recipe.steps.iter().map(|s| s.name.name.as_str());
                let names: Vec<_> = steps.chain(recipe.inputs.iter().map(|i| i.name.name.as_str())).collect();
                log.error(&step.place, format!("there is no step `{}`", step.name)).remedy(suggest(
                    &step.name,
                    names.iter().copied(),
                    "step",
                ));
            }
        }
    }
}
