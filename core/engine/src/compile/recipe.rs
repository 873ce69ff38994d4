//! The outline of a recipe: which tables there are, before any method is asked.

use super::tree::{Item, Key, Table, Value, get};
use crate::diagnostic::{Diagnostic, Log, Place, suggest};

/// The recipe format that this build reads.
pub const SCHEMA: i64 = 1;

/// A key of a step.
#[derive(Debug, Clone)]
pub(crate) struct Entry {
    pub key: Key,
    pub item: Item,
    /// Inherited from before a change of method: left out where the new method does not know it.
    pub loose: bool,
}

/// A step as written.
#[derive(Debug, Clone)]
pub(crate) struct RawStep {
    pub name: Key,
    pub entries: Vec<Entry>,
    /// The method that stood here before a recipe that extends it, or a setting, put another in its place.
    pub before: Option<String>,
}

impl RawStep {
    pub fn get(&self, name: &str) -> Option<&Entry> {
        self.entries.iter().find(|e| e.key.name == name)
    }

    /// Sets a key. Parameters belong to a method and links to its contract, so a change of `use` drops the parameters
    /// and keeps the links that the new method knows.
    pub fn set(&mut self, key: Key, item: Item) {
        if key.name == "use" && self.get("use").is_some_and(|old| old.item.value != item.value) {
            self.before = self.get("use").and_then(|old| old.item.text()).map(Into::into);
            self.entries.retain(|e| e.key.name == "use" || e.item.is_link());
            for entry in &mut self.entries {
                entry.loose = true;
            }
        }
        let entry = Entry { key, item, loose: false };
        match self.entries.iter_mut().find(|e| e.key.name == entry.key.name) {
            Some(old) => *old = entry,
            None => self.entries.push(entry),
        }
    }
}

/// A declared input.
#[derive(Debug, Clone)]
pub(crate) struct RawInput {
    pub name: Key,
    pub help: String,
    pub many: bool,
    pub optional: bool,
    /// Parameters of the method that reads the file.
    pub reading: Vec<(Key, Item)>,
}

/// Alternative settings.
#[derive(Debug, Clone)]
pub(crate) struct RawVariant {
    pub name: Key,
    /// Step, key, value.
    pub settings: Vec<(Key, Key, Item)>,
}

/// A recipe's outline.
#[derive(Debug, Clone, Default)]
pub(crate) struct Recipe {
    pub name: Option<String>,
    pub summary: String,
    pub extends: Option<Item>,
    pub without: Vec<Item>,
    pub inputs: Vec<RawInput>,
    pub steps: Vec<RawStep>,
    pub results: Vec<(Key, Item)>,
    pub variants: Vec<RawVariant>,
    pub expectations: Vec<Item>,
    /// Where to point when something is missing altogether.
    pub place: Place,
}

const TOP: [&str; 10] =
    ["schema", "name", "summary", "extends", "without", "inputs", "step", "results", "variant", "expect"];

/// Keys of an input beside its reader's parameters.
pub(crate) const INPUT_KEYS: [&str; 4] = ["type", "help", "many", "optional"];

/// Reads the outline of a recipe.
pub(crate) fn outline(log: &mut Log, file: usize, table: &Table) -> Recipe {
    let place = Place { file, span: 0..0 };
    let mut recipe = Recipe { place: place.clone(), ..Recipe::default() };
    match get(table, "schema") {
        None => {
            log.error(&place, "`schema` is missing")
                .cause("the recipe does not say which format it is written in")
                .remedy(format!("begin it with `schema = {SCHEMA}`"));
        }
        Some(item) if item.value == Value::Integer(SCHEMA) => {}
        Some(item) => {
            log.error(&item.place, "this recipe format is not known")
                .cause(format!("this build reads schema {SCHEMA}"))
                .remedy(format!("write `schema = {SCHEMA}`, or use a build that knows the format"));
        }
    }
    for (key, item) in table {
        match key.name.as_str() {
            "schema" => {}
            "name" => recipe.name = text(log, key, item).filter(|name| plain_name(log, &item.place, "recipe", name)),
            "summary" => recipe.summary = text(log, key, item).unwrap_or_default(),
            "extends" => recipe.extends = text(log, key, item).map(|_| item.clone()),
            "without" => recipe.without = texts(log, key, item),
            "inputs" => recipe.inputs = entries(log, key, item).iter().filter_map(|(k, i)| input(log, k, i)).collect(),
            "step" => {
                for (name, body) in entries(log, key, item) {
                    plain_name(log, &name.place, "step", &name.name);
                    let entries = entries(log, name, body)
                        .iter()
                        .map(|(key, item)| Entry { key: key.clone(), item: item.clone(), loose: false })
                        .collect();
                    recipe.steps.push(RawStep { name: name.clone(), entries, before: None });
                }
            }
            "results" => {
                for (name, link) in entries(log, key, item) {
                    plain_name(log, &name.place, "result", &name.name);
                    recipe.results.push((name.clone(), link.clone()));
                }
            }
            "variant" => {
                for (name, body) in entries(log, key, item) {
                    plain_name(log, &name.place, "variant", &name.name);
                    let mut settings = Vec::new();
                    for (step, keys) in entries(log, name, body) {
                        for (key, item) in entries(log, step, keys) {
                            settings.push((step.clone(), key.clone(), item.clone()));
                        }
                    }
                    recipe.variants.push(RawVariant { name: name.clone(), settings });
                }
            }
            "expect" => match &item.value {
                Value::List(list) if list.iter().all(|i| i.table().is_some()) => recipe.expectations = list.clone(),
                _ => {
                    wrong_kind(log, key, item, "a list of tables").remedy("write `[[expect]]`");
                }
            },
            other => {
                log.error(&key.place, format!("unknown key `{other}`")).remedy(suggest(other, TOP, "key"));
            }
        }
    }
    recipe
}

fn input(log: &mut Log, name: &Key, item: &Item) -> Option<RawInput> {
    plain_name(log, &name.place, "input", &name.name);
    let Some(table) = item.table() else {
        wrong_kind(log, name, item, "a table").remedy(format!("write `{} = {{ type = \"frames\" }}`", name.name));
        return None;
    };
    let mut input =
        RawInput { name: name.clone(), help: String::new(), many: false, optional: false, reading: Vec::new() };
    if get(table, "type").is_none() {
        log.error(&name.place, format!("the input `{}` has no type", name.name)).remedy("add `type = \"frames\"`");
    }
    for (key, item) in table {
        match key.name.as_str() {
            "type" => {
                if let Some(kind) = text(log, key, item).filter(|kind| kind != "frames") {
                    log.error(&item.place, format!("an input cannot be of type `{kind}`"))
                        .cause("what is read from a file is a stream of frames, be it one or many")
                        .remedy("write `type = \"frames\"`");
                }
            }
            "help" => input.help = text(log, key, item).unwrap_or_default(),
            "many" => input.many = flag(log, key, item),
            "optional" => input.optional = flag(log, key, item),
            _ => input.reading.push((key.clone(), item.clone())),
        }
    }
    Some(input)
}

/// Complains that a key's value is of the wrong kind.
pub(crate) fn wrong_kind<'l>(log: &'l mut Log, key: &Key, item: &Item, wanted: &str) -> &'l mut Diagnostic {
    log.error(&item.place, format!("`{}` must be {wanted}", key.name)).cause(format!("it is {}", item.kind()))
}

pub(crate) fn text(log: &mut Log, key: &Key, item: &Item) -> Option<String> {
    if item.text().is_none() {
        wrong_kind(log, key, item, "a text").remedy("put it in quotes");
    }
    item.text().map(Into::into)
}

fn flag(log: &mut Log, key: &Key, item: &Item) -> bool {
    match item.value {
        Value::Flag(flag) => flag,
        _ => {
            wrong_kind(log, key, item, "true or false");
            false
        }
    }
}

fn texts(log: &mut Log, key: &Key, item: &Item) -> Vec<Item> {
    match &item.value {
        Value::List(items) if items.iter().all(|i| i.text().is_some()) => items.clone(),
        _ => {
            wrong_kind(log, key, item, "a list of texts").remedy(format!("write `{} = [\"...\"]`", key.name));
            Vec::new()
        }
    }
}

fn entries<'a>(log: &mut Log, key: &Key, item: &'a Item) -> &'a [(Key, Item)] {
    match item.table() {
        Some(table) => table,
        None => {
            wrong_kind(log, key, item, "a table");
            &[]
        }
    }
}

/// Whether a name can stand in a link and in a file's name; complains if not.
pub(crate) fn plain_name(log: &mut Log, place: &Place, what: &str, name: &str) -> bool {
    let allowed = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'_';
    let good =
        name.len() <= 64 && name.bytes().all(allowed) && name.bytes().next().is_some_and(|b| b.is_ascii_alphanumeric());
    if !good {
        log.error(place, format!("`{name}` cannot be the name of a {what}"))
            .cause("names stand in links and file names")
            .remedy("use at most 64 letters a-z, digits, `-` and `_`, beginning with a letter or digit");
    }
    good
}
