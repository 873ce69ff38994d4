//! TOML as an owned tree that remembers where everything stands.

use std::ops::Range;

use toml::de::{DeTable, DeValue};

use crate::diagnostic::{Log, Place, SourceText};

/// A key.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Key {
    pub name: String,
    pub place: Place,
}

/// A value with its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Item {
    pub value: Value,
    pub place: Place,
}

/// A value.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Value {
    Text(String),
    Integer(i64),
    Number(f64),
    Flag(bool),
    List(Vec<Item>),
    Table(Table),
    /// A date or time, which no key here takes; as written.
    Time(String),
}

/// Keys and values in the order of the file.
pub(crate) type Table = Vec<(Key, Item)>;

impl Item {
    /// What kind of value it is, for messages.
    pub fn kind(&self) -> &'static str {
        match &self.value {
            Value::Text(_) => "a text",
            Value::Integer(_) => "a whole number",
            Value::Number(_) => "a number",
            Value::Flag(_) => "true or false",
            Value::List(_) => "a list",
            Value::Table(_) => "a table",
            Value::Time(_) => "a date or time",
        }
    }

    pub fn text(&self) -> Option<&str> {
        if let Value::Text(text) = &self.value { Some(text) } else { None }
    }

    pub fn table(&self) -> Option<&Table> {
        if let Value::Table(table) = &self.value { Some(table) } else { None }
    }

    /// A number, whole or not.
    pub fn number(&self) -> Option<f64> {
        match self.value {
            Value::Integer(n) => Some(n as f64),
            Value::Number(n) => Some(n),
            _ => None,
        }
    }

    /// Whether it is a link, or a list of links.
    pub fn is_link(&self) -> bool {
        match &self.value {
            Value::Text(text) => text.starts_with('@'),
            Value::List(items) => !items.is_empty() && items.iter().all(Item::is_link),
            _ => false,
        }
    }
}

/// The value of a key.
pub(crate) fn get<'a>(table: &'a Table, name: &str) -> Option<&'a Item> {
    table.iter().find(|(key, _)| key.name == name).map(|(_, item)| item)
}

/// Reads a text. What cannot be read is told to the log; the rest is still given, unless the text is so broken that
/// looking at it further would only add noise.
pub(crate) fn parse(log: &mut Log, source: SourceText) -> (usize, Option<Table>) {
    let text = source.text.clone();
    let file = log.add_file(source);
    let (root, errors) = DeTable::parse_recoverable(&text);
    let table = convert_table(file, root.into_inner());
    let mut readable = true;
    // Keys under a header that stands twice would all be complained of again.
    let mut twice = 0..0;
    for error in &errors {
        let place = Place { file, span: error.span().unwrap_or(text.len()..text.len()) };
        if error.message() != "duplicate key" {
            readable = false;
            log.error(&place, error.message()).cause("the text is not valid TOML");
            continue;
        }
        if twice.contains(&place.span.start) {
            continue;
        }
        let name = log.text(&place).trim_matches(['"', '\'']).to_string();
        let first = match header_before(&text, place.span.start) {
            Some(line) => {
                let rest = &text[place.span.end..];
                twice = place.span.end..rest.find("\n[").map_or(text.len(), |n| place.span.end + n);
                Some(line)
            }
            None => last_before(&table, &name, place.span.start).map(|p| log.line(&p)),
        };
        let d = log.error(&place, format!("duplicate key `{name}`"));
        match first {
            Some(line) => d.cause(format!("it was set on line {line} already")),
            None => d.cause("it was set before in the same table"),
        };
        d.remedy("keep one of the two");
    }
    (file, readable.then_some(table))
}

/// Line of an earlier table header that is the same as the one at a place, if it is a header.
fn header_before(text: &str, at: usize) -> Option<usize> {
    let start = text[..at].rfind('\n').map_or(0, |n| n + 1);
    let header = text[start..].lines().next()?.trim();
    if !header.starts_with('[') {
        return None;
    }
    text[..start].lines().position(|line| line.trim() == header).map(|index| index + 1)
}

fn last_before(table: &Table, name: &str, before: usize) -> Option<Place> {
    let mut best: Option<Place> = None;
    for (key, item) in table {
        let inner = item.table().and_then(|t| last_before(t, name, before));
        let own = (key.name == name && key.place.span.start < before).then(|| key.place.clone());
        for place in [own, inner].into_iter().flatten() {
            if best.as_ref().is_none_or(|b| b.span.start < place.span.start) {
                best = Some(place);
            }
        }
    }
    best
}

fn convert_table(file: usize, table: DeTable<'_>) -> Table {
    let mut entries: Table = table
        .into_iter()
        .map(|(key, value)| {
            let place = Place { file, span: key.span() };
            let item = convert(file, value.span(), value.into_inner());
            (Key { name: key.into_inner().into_owned(), place }, item)
        })
        .collect();
    entries.sort_by_key(|(key, _)| key.place.span.start);
    entries
}

fn convert(file: usize, span: Range<usize>, value: DeValue<'_>) -> Item {
    let place = Place { file, span };
    let value = match value {
        DeValue::String(text) => Value::Text(text.into_owned()),
        DeValue::Integer(integer) => {
            let digits = integer.as_str();
            // What does not fit is a number out of any range, and is told so where the range is known.
            i64::from_str_radix(digits, integer.radix())
                .map_or_else(|_| Value::Number(digits.parse().unwrap_or(f64::NAN)), Value::Integer)
        }
        DeValue::Float(float) => Value::Number(float.as_str().replace('_', "").parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(flag) => Value::Flag(flag),
        DeValue::Datetime(time) => Value::Time(time.to_string()),
        DeValue::Array(items) => {
            Value::List(items.into_iter().map(|item| convert(file, item.span(), item.into_inner())).collect())
        }
        DeValue::Table(table) => Value::Table(convert_table(file, table)),
    };
    Item { value, place }
}

/// Writes a value as TOML, on one line.
pub(crate) fn write_value(item: &Item) -> String {
    match &item.value {
        Value::Text(text) => quoted(text),
        Value::Integer(n) => n.to_string(),
        Value::Number(n) => toml::Value::Float(*n).to_string(),
        Value::Flag(flag) => flag.to_string(),
        Value::Time(time) => time.clone(),
        Value::List(items) => {
            format!("[{}]", items.iter().map(write_value).collect::<Vec<_>>().join(", "))
        }
        Value::Table(table) => {
            let entries: Vec<_> =
                table.iter().map(|(k, v)| format!("{} = {}", write_key(&k.name), write_value(v))).collect();
            format!("{{ {} }}", entries.join(", "))
        }
    }
}

/// A text in quotes.
pub(crate) fn quoted(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}

/// A key, quoted where it must be.
pub(crate) fn write_key(name: &str) -> String {
    let bare = !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_');
    if bare { name.into() } else { quoted(name) }
}
