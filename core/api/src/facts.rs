//! What the observer and the capture file say: session facts.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

/// Where a fact comes from; earlier ones win.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FactOrigin {
    /// Given on the command line.
    CommandLine,
    /// Read from a session file.
    Session,
    /// Read from the capture's own header.
    Header,
}

/// A fact's value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum FactValue {
    /// A yes or no.
    Flag(bool),
    /// A number in the unit that the fact's name ends with.
    Number(f64),
    /// A text.
    Text(String),
}

/// A fact and its origin.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fact {
    /// The value.
    pub value: FactValue,
    /// Where it comes from.
    pub origin: FactOrigin,
}

/// Facts by name, such as `telescope.aperture_mm`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Facts(pub BTreeMap<String, Fact>);

impl Facts {
    /// Sets a fact unless one of an earlier origin stands.
    pub fn set(&mut self, name: &str, value: FactValue, origin: FactOrigin) {
        match self.0.get(name) {
            Some(old) if old.origin < origin => {}
            _ => {
                self.0.insert(name.into(), Fact { value, origin });
            }
        }
    }

    /// A number.
    pub fn number(&self, name: &str) -> Option<f64> {
        match self.0.get(name)?.value {
            FactValue::Number(number) => Some(number),
            _ => None,
        }
    }

    /// A text.
    pub fn text(&self, name: &str) -> Option<&str> {
        match &self.0.get(name)?.value {
            FactValue::Text(text) => Some(text),
            _ => None,
        }
    }

    /// A yes or no.
    pub fn flag(&self, name: &str) -> Option<bool> {
        match self.0.get(name)?.value {
            FactValue::Flag(flag) => Some(flag),
            _ => None,
        }
    }

    /// Only the named facts.
    #[must_use]
    pub fn only(&self, names: &[String]) -> Facts {
        Facts(self.0.iter().filter(|(name, _)| names.contains(name)).map(|(n, f)| (n.clone(), f.clone())).collect())
    }
}
