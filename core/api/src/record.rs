//! Facts for the report.

use serde::{Deserialize, Serialize};

/// A curve or a set of points.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Series {
    /// Name, kebab case.
    pub name: String,
    /// What x is.
    pub x_label: String,
    /// Unit of x, "" for a pure number.
    pub x_unit: String,
    /// What y is.
    pub y_label: String,
    /// Unit of y.
    pub y_unit: String,
    /// Abscissae.
    pub x: Vec<f64>,
    /// Ordinates, as many; NaN is written as null.
    pub y: Vec<f64>,
}

/// One fact.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Entry {
    /// A number with its unit.
    Number {
        /// Name, kebab case.
        name: String,
        /// The value.
        value: f64,
        /// Unit, "" for a pure number.
        unit: String,
        /// What it says.
        help: String,
    },
    /// A short text.
    Text {
        /// Name, kebab case.
        name: String,
        /// The text.
        value: String,
    },
    /// A curve.
    Series(Series),
    /// A judgement: a number against a threshold, in words.
    Verdict {
        /// Name, kebab case.
        name: String,
        /// The measured number.
        value: f64,
        /// Its unit.
        unit: String,
        /// What it is held against.
        threshold: f64,
        /// The judgement in words.
        text: String,
    },
}

impl Entry {
    /// A number with its unit.
    pub fn number(name: &str, value: f64, unit: &str, help: &str) -> Self {
        Self::Number { name: name.into(), value, unit: unit.into(), help: help.into() }
    }

    /// A short text.
    pub fn text(name: &str, value: impl Into<String>) -> Self {
        Self::Text { name: name.into(), value: value.into() }
    }

    /// The fact's name.
    pub fn name(&self) -> &str {
        match self {
            Self::Number { name, .. } | Self::Text { name, .. } | Self::Verdict { name, .. } => name,
            Self::Series(series) => &series.name,
        }
    }
}

/// A list of facts.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Record {
    /// The facts, in the order of their making.
    pub entries: Vec<Entry>,
}
