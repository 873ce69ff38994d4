//! What a node's result depends on, and the key made of it.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};
use stillair_api::{Description, FactOrigin, FactValue, Facts, ParameterKind, ParameterValue, Parameters};

/// Version of keys and entries: raised whenever the engine gives other bits for the same nodes, or the layout of an
/// entry changes.
pub const FORMAT: u32 = 2;

/// Key of a result: the hash of all it depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Key(blake3::Hash);

impl Key {
    /// Reads the 64 hexadecimal digits.
    pub fn parse(text: &str) -> Option<Self> {
        blake3::Hash::from_hex(text).ok().map(Self)
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.to_hex().as_str())
    }
}

/// All that a node's result depends on. What is not in here must not change the result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// [`FORMAT`] when it was made.
    pub format: u32,
    /// Method.
    pub method: String,
    /// Version of the method.
    pub version: u32,
    /// blake3 of the code: of the executable for a linked plugin, of the library's file for a loaded one.
    pub code: String,
    /// Instruction set that the transforms pick.
    pub instruction_set: String,
    /// Every parameter, defaults filled in, as [`canonical`] text.
    pub parameters: BTreeMap<String, String>,
    /// The facts that the method reads, with their origins, as text.
    pub facts: BTreeMap<String, String>,
    /// For each port in their order, the linked outputs: key of the node that gives it, `.`, its number.
    pub inputs: Vec<(String, Vec<String>)>,
    /// For a source: blake3 of the capture's bytes, "" for a simulated one; nothing for other shapes.
    pub capture: Option<String>,
    /// For a source: blake3 of what its reader says of the clip, which may depend on the clips beside it.
    pub clip: Option<String>,
}

impl Identity {
    /// A method's part: everything but what it is linked to.
    pub fn new(
        description: &Description,
        parameters: &Parameters,
        facts: &Facts,
        code: &str,
        instruction_set: &str,
    ) -> Self {
        let kind = |name: &str| description.parameters.iter().find(|p| p.name == name).map(|p| &p.kind);
        let parameters =
            parameters.0.iter().map(|(name, value)| (name.clone(), canonical(value, kind(name)))).collect();
        let facts = facts.only(&description.facts);
        Self {
            format: FORMAT,
            method: description.method.clone(),
            version: description.version,
            code: code.into(),
            instruction_set: instruction_set.into(),
            parameters,
            facts: facts.0.iter().map(|(name, fact)| (name.clone(), fact_text(&fact.value, fact.origin))).collect(),
            inputs: Vec::new(),
            capture: None,
            clip: None,
        }
    }

    /// The hash of all fields, each with its name and length, so that no two identities write the same bytes.
    pub fn key(&self) -> Key {
        let mut hasher = blake3::Hasher::new();
        let mut put = |text: &str| {
            hasher.update(&(text.len() as u64).to_le_bytes()).update(text.as_bytes());
        };
        for (name, value) in self.fields() {
            put(&name);
            put(&value);
        }
        Key(hasher.finalize())
    }

    /// Every field by its name in words, in the order in which differences are told.
    pub fn fields(&self) -> Vec<(String, String)> {
        let mut fields = vec![
            ("the method".to_string(), self.method.clone()),
            ("the method's version".into(), self.version.to_string()),
            ("the format of the cache".into(), self.format.to_string()),
            ("the code".into(), self.code.clone()),
            ("the instruction set".into(), self.instruction_set.clone()),
        ];
        fields.extend(self.parameters.iter().map(|(name, value)| (format!("parameter `{name}`"), value.clone())));
        fields.extend(self.facts.iter().map(|(name, value)| (format!("fact `{name}`"), value.clone())));
        fields.extend(self.capture.iter().map(|hash| ("the capture".into(), hash.clone())));
        fields.extend(self.clip.iter().map(|hash| ("what the reader says of the clip".into(), hash.clone())));
        fields.extend(self.inputs.iter().map(|(port, outputs)| (format!("input `{port}`"), outputs.join(" "))));
        fields
    }
}

/// A parameter as a text of which there is one for each value: a whole number where a number is wanted is that number.
pub fn canonical(value: &ParameterValue, kind: Option<&ParameterKind>) -> String {
    let of_numbers = matches!(kind, Some(ParameterKind::Number { .. } | ParameterKind::Numbers { .. }));
    match value {
        ParameterValue::Flag(flag) => flag.to_string(),
        ParameterValue::Integer(number) if of_numbers => format!("{:?}", *number as f64),
        ParameterValue::Integer(number) => number.to_string(),
        ParameterValue::Number(number) => format!("{number:?}"),
        ParameterValue::Text(text) => format!("\"{text}\""),
        ParameterValue::Numbers(numbers) => format!("{numbers:?}"),
    }
}

fn fact_text(value: &FactValue, origin: FactOrigin) -> String {
    let origin = match origin {
        FactOrigin::CommandLine => "command line",
        FactOrigin::Session => "session",
        FactOrigin::Header => "header",
    };
    match value {
        FactValue::Flag(flag) => format!("{flag} ({origin})"),
        FactValue::Number(number) => format!("{number:?} ({origin})"),
        FactValue::Text(text) => format!("\"{text}\" ({origin})"),
    }
}

/// The first field in which an identity differs from an earlier one, in words.
pub fn first_difference(now: &Identity, before: &Identity) -> Option<String> {
    let (now, before) = (now.fields(), before.fields());
    let find = |fields: &[(String, String)], name: &str| fields.iter().find(|f| f.0 == name).map(|f| f.1.clone());
    for (name, value) in &now {
        let told = match find(&before, name) {
            Some(old) if old == *value => continue,
            // Words of a record may be handed on: what a fact says of people and places does not belong in them.
            Some(old)
                if value.len() < 60 && old.len() < 60 && !name.starts_with("input") && !name.starts_with("fact") =>
            {
                format!("{name} is {value}, was {old}")
            }
            Some(_) => format!("{name} is another"),
            None => format!("{name} is new"),
        };
        return Some(told);
    }
    let gone = before.iter().find(|(name, _)| find(&now, name).is_none());
    let gone = gone.map(|(name, _)| format!("{name} is gone"));
    gone.or_else(|| (now != before).then(|| "the order of the inputs is another".into()))
}

/// In how many fields two identities differ.
pub(super) fn distance(now: &Identity, before: &Identity) -> usize {
    let (now, before) = (now.fields(), before.fields());
    let one_way = |a: &[(String, String)], b: &[(String, String)]| a.iter().filter(|f| !b.contains(f)).count();
    one_way(&now, &before).max(one_way(&before, &now))
}
