//! A node's parameters, checked and with defaults filled in.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::{Fault, Outcome};

/// The value of a parameter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ParameterValue {
    /// A yes or no.
    Flag(bool),
    /// A whole number.
    Integer(i64),
    /// A number.
    Number(f64),
    /// A text, a choice, or "auto".
    Text(String),
    /// A list of numbers.
    Numbers(Vec<f64>),
}

/// Parameters by name. The engine checks kinds and ranges against the description before a node sees them.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Parameters(pub BTreeMap<String, ParameterValue>);

impl Parameters {
    fn get(&self, name: &str) -> Outcome<&ParameterValue> {
        self.0.get(name).ok_or_else(|| Fault::internal(format!("parameter `{name}` is not set")))
    }

    /// A number; "auto" is an error here, see [`Parameters::auto_number`].
    ///
    /// # Errors
    /// If it is not set or not a number.
    pub fn number(&self, name: &str) -> Outcome<f64> {
        self.auto_number(name)?.ok_or_else(|| Fault::internal(format!("parameter `{name}` must be a number, not auto")))
    }

    /// A number, or `None` for "auto".
    ///
    /// # Errors
    /// If it is not set or neither.
    pub fn auto_number(&self, name: &str) -> Outcome<Option<f64>> {
        match self.get(name)? {
            ParameterValue::Number(number) => Ok(Some(*number)),
            ParameterValue::Integer(number) => Ok(Some(*number as f64)),
            ParameterValue::Text(text) if text == "auto" => Ok(None),
            _ => Err(Fault::internal(format!("parameter `{name}` must be a number"))),
        }
    }

    /// A whole number.
    ///
    /// # Errors
    /// If it is not set or not a whole number.
    pub fn integer(&self, name: &str) -> Outcome<i64> {
        self.auto_integer(name)?
            .ok_or_else(|| Fault::internal(format!("parameter `{name}` must be a whole number, not auto")))
    }

    /// A whole number, or `None` for "auto".
    ///
    /// # Errors
    /// If it is not set or neither.
    pub fn auto_integer(&self, name: &str) -> Outcome<Option<i64>> {
        match self.get(name)? {
            ParameterValue::Integer(number) => Ok(Some(*number)),
            ParameterValue::Text(text) if text == "auto" => Ok(None),
            _ => Err(Fault::internal(format!("parameter `{name}` must be a whole number"))),
        }
    }

    /// A yes or no.
    ///
    /// # Errors
    /// If it is not set or not a flag.
    pub fn flag(&self, name: &str) -> Outcome<bool> {
        match self.get(name)? {
            ParameterValue::Flag(flag) => Ok(*flag),
            _ => Err(Fault::internal(format!("parameter `{name}` must be true or false"))),
        }
    }

    /// A text or a choice ("auto" comes as it is).
    ///
    /// # Errors
    /// If it is not set or not a text.
    pub fn text(&self, name: &str) -> Outcome<&str> {
        match self.get(name)? {
            ParameterValue::Text(text) => Ok(text),
            _ => Err(Fault::internal(format!("parameter `{name}` must be a text"))),
        }
    }

    /// A list of numbers, or `None` for "auto".
    ///
    /// # Errors
    /// If it is not set or neither.
    pub fn auto_numbers(&self, name: &str) -> Outcome<Option<&[f64]>> {
        match self.get(name)? {
            ParameterValue::Numbers(numbers) => Ok(Some(numbers)),
            ParameterValue::Text(text) if text == "auto" => Ok(None),
            _ => Err(Fault::internal(format!("parameter `{name}` must be a list of numbers"))),
        }
    }
}
