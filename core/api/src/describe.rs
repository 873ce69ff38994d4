//! A method's description: plain data from which validation, help, schema, defaults and keys come.

use serde::{Deserialize, Serialize};

use crate::{ColumnSpec, ParameterValue};

/// The six shapes of a node.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Shape {
    /// Files or parameters to frames.
    Source,
    /// Frame to frame.
    Map,
    /// Frame to a row of a table and/or a motion.
    Measure,
    /// All frames to values, in one or more sweeps.
    Reduce,
    /// Values to values.
    Transform,
    /// Values or frames to a file.
    Sink,
}

/// What flows through a port.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PortType {
    /// The stream.
    Frames,
    /// A row per frame.
    Table,
    /// Where each frame belongs.
    Motion,
    /// A picture.
    Image,
    /// Facts for the report.
    Record,
}

/// A port of a node.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Port {
    /// Name in the recipe.
    pub name: String,
    /// What flows through it.
    #[serde(rename = "type")]
    pub kind: PortType,
    /// A step whose required port stays unset is skipped.
    pub required: bool,
    /// Takes a list of links.
    #[serde(default)]
    pub many: bool,
    /// For a table or motion read by a map, measure or reduce: whether the whole must be finished before the first
    /// frame (else one row at a time is enough and the two can run in one pass).
    #[serde(default)]
    pub whole: bool,
    /// What it is for.
    #[serde(default)]
    pub help: String,
}

/// The kind and range of a parameter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "lowercase")]
pub enum ParameterKind {
    /// A number within [min, max].
    Number {
        /// Smallest value allowed.
        min: f64,
        /// Largest value allowed.
        max: f64,
    },
    /// A whole number within [min, max].
    Integer {
        /// Smallest value allowed.
        min: i64,
        /// Largest value allowed.
        max: i64,
    },
    /// One of a few words.
    Choice {
        /// The words.
        of: Vec<String>,
    },
    /// A yes or no.
    Flag,
    /// A text.
    Text,
    /// A list of numbers, each within [min, max].
    Numbers {
        /// Smallest value allowed.
        min: f64,
        /// Largest value allowed.
        max: f64,
    },
}

/// A parameter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Parameter {
    /// Name in the recipe.
    pub name: String,
    /// Kind and range.
    #[serde(flatten)]
    pub kind: ParameterKind,
    /// Unit, "" for a pure number.
    #[serde(default)]
    pub unit: String,
    /// Whether the word "auto" is allowed: the method then decides from the data and records what it chose.
    #[serde(default)]
    pub auto: bool,
    /// Value where the recipe is silent.
    pub default: ParameterValue,
    /// What it does.
    #[serde(default)]
    pub help: String,
}

impl Parameter {
    fn of(name: &str, kind: ParameterKind, unit: &str, default: ParameterValue, help: &str) -> Self {
        let auto = default == ParameterValue::Text("auto".into());
        Self { name: name.into(), kind, unit: unit.into(), auto, default, help: help.into() }
    }

    /// A number within [min, max].
    pub fn number(name: &str, unit: &str, min: f64, max: f64, default: f64, help: &str) -> Self {
        Self::of(name, ParameterKind::Number { min, max }, unit, ParameterValue::Number(default), help)
    }

    /// A number within [min, max], by default "auto".
    pub fn auto_number(name: &str, unit: &str, min: f64, max: f64, help: &str) -> Self {
        Self::of(name, ParameterKind::Number { min, max }, unit, ParameterValue::Text("auto".into()), help)
    }

    /// A whole number within [min, max].
    pub fn integer(name: &str, unit: &str, min: i64, max: i64, default: i64, help: &str) -> Self {
        Self::of(name, ParameterKind::Integer { min, max }, unit, ParameterValue::Integer(default), help)
    }

    /// A whole number within [min, max], by default "auto".
    pub fn auto_integer(name: &str, unit: &str, min: i64, max: i64, help: &str) -> Self {
        Self::of(name, ParameterKind::Integer { min, max }, unit, ParameterValue::Text("auto".into()), help)
    }

    /// One of a few words; "auto" may be one of them.
    pub fn choice(name: &str, of: &[&str], default: &str, help: &str) -> Self {
        let words = of.iter().map(|w| (*w).to_string()).collect();
        let mut parameter =
            Self::of(name, ParameterKind::Choice { of: words }, "", ParameterValue::Text(default.into()), help);
        parameter.auto = of.contains(&"auto");
        parameter
    }

    /// A yes or no.
    pub fn flag(name: &str, default: bool, help: &str) -> Self {
        Self::of(name, ParameterKind::Flag, "", ParameterValue::Flag(default), help)
    }

    /// A text.
    pub fn text(name: &str, default: &str, help: &str) -> Self {
        Self::of(name, ParameterKind::Text, "", ParameterValue::Text(default.into()), help)
    }

    /// A list of numbers, by default "auto".
    pub fn auto_numbers(name: &str, unit: &str, min: f64, max: f64, help: &str) -> Self {
        Self::of(name, ParameterKind::Numbers { min, max }, unit, ParameterValue::Text("auto".into()), help)
    }
}

/// A column that a table must have for a step to work at all.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Need {
    /// Input port of the table.
    pub port: String,
    /// Name of the column; [`columns::GRADE`](crate::columns::GRADE) stands for any column of grades.
    pub column: String,
    /// Name of a text parameter that names another column instead, unless it is "auto"; "" if there is none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub named_by: String,
}

fn one() -> u32 {
    1
}

/// All that is said of a method beside its code. As JSON it may leave out what is empty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Description {
    /// Full name: family, dot, method.
    pub method: String,
    /// Raised whenever the same inputs give other results.
    pub version: u32,
    /// One line.
    pub summary: String,
    /// What it computes, when to use it, where it fails.
    #[serde(default)]
    pub help: String,
    /// Publication, standard, or "common practice, no source".
    #[serde(default)]
    pub source: String,
    /// The port set it keeps to, "" if none.
    #[serde(default)]
    pub contract: String,
    /// Shape of its node.
    pub shape: Shape,
    /// Ports in.
    #[serde(default)]
    pub inputs: Vec<Port>,
    /// Ports out.
    #[serde(default)]
    pub outputs: Vec<Port>,
    /// Columns that it adds to its table, all of them: a step that needs another one of that table is refused. Empty for
    /// a method that adds none, or whose columns nobody can tell beforehand.
    #[serde(default)]
    pub columns: Vec<ColumnSpec>,
    /// Columns that its tables must have; where they lack one the recipe is refused before anything runs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<Need>,
    /// Parameters.
    #[serde(default)]
    pub parameters: Vec<Parameter>,
    /// Session facts that it reads.
    #[serde(default)]
    pub facts: Vec<String>,
    /// Most sweeps a reduce may ask for.
    #[serde(default = "one")]
    pub sweeps: u32,
    /// File extension a sink writes.
    #[serde(default)]
    pub extension: String,
    /// Name of the input that is handed on unchanged where the step is skipped, "" if none.
    #[serde(default)]
    pub through: String,
}

impl Description {
    /// A description without ports.
    pub fn new(method: &str, shape: Shape, summary: &str) -> Self {
        Self {
            method: method.into(),
            version: 1,
            summary: summary.into(),
            help: String::new(),
            source: String::new(),
            contract: String::new(),
            shape,
            inputs: Vec::new(),
            outputs: Vec::new(),
            columns: Vec::new(),
            needs: Vec::new(),
            parameters: Vec::new(),
            facts: Vec::new(),
            sweeps: 1,
            extension: String::new(),
            through: String::new(),
        }
    }

    /// Sets the version.
    #[must_use]
    pub fn version(mut self, version: u32) -> Self {
        self.version = version;
        self
    }

    /// Sets the longer help.
    #[must_use]
    pub fn help(mut self, help: &str) -> Self {
        self.help = help.into();
        self
    }

    /// Sets the source.
    #[must_use]
    pub fn source(mut self, source: &str) -> Self {
        self.source = source.into();
        self
    }

    /// Sets the contract.
    #[must_use]
    pub fn contract(mut self, contract: &str) -> Self {
        self.contract = contract.into();
        self
    }

    fn port(name: &str, kind: PortType, required: bool, help: &str) -> Port {
        Port { name: name.into(), kind, required, many: false, whole: false, help: help.into() }
    }

    /// Adds a required input.
    #[must_use]
    pub fn input(mut self, name: &str, kind: PortType, help: &str) -> Self {
        self.inputs.push(Self::port(name, kind, true, help));
        self
    }

    /// Adds an optional input.
    #[must_use]
    pub fn optional(mut self, name: &str, kind: PortType, help: &str) -> Self {
        self.inputs.push(Self::port(name, kind, false, help));
        self
    }

    /// The input added last takes a list of links.
    #[must_use]
    pub fn many(mut self) -> Self {
        if let Some(port) = self.inputs.last_mut() {
            port.many = true;
        }
        self
    }

    /// The input added last must be finished before the first frame.
    #[must_use]
    pub fn whole(mut self) -> Self {
        if let Some(port) = self.inputs.last_mut() {
            port.whole = true;
        }
        self
    }

    /// Adds an output.
    #[must_use]
    pub fn output(mut self, name: &str, kind: PortType, help: &str) -> Self {
        self.outputs.push(Self::port(name, kind, true, help));
        self
    }

    /// Adds a column to the table it gives.
    #[must_use]
    pub fn column(mut self, column: ColumnSpec) -> Self {
        self.columns.push(column);
        self
    }

    /// Names a column that the table at a port must have.
    #[must_use]
    pub fn needs(mut self, port: &str, column: &str) -> Self {
        self.needs.push(Need { port: port.into(), column: column.into(), named_by: String::new() });
        self
    }

    /// Names a column that the table at a port must have unless a text parameter names another.
    #[must_use]
    pub fn needs_named(mut self, port: &str, column: &str, parameter: &str) -> Self {
        self.needs.push(Need { port: port.into(), column: column.into(), named_by: parameter.into() });
        self
    }

    /// Adds a parameter.
    #[must_use]
    pub fn parameter(mut self, parameter: Parameter) -> Self {
        self.parameters.push(parameter);
        self
    }

    /// Names a session fact that it reads.
    #[must_use]
    pub fn fact(mut self, name: &str) -> Self {
        self.facts.push(name.into());
        self
    }

    /// Sets the most sweeps.
    #[must_use]
    pub fn sweeps(mut self, sweeps: u32) -> Self {
        self.sweeps = sweeps;
        self
    }

    /// Sets a sink's file extension.
    #[must_use]
    pub fn extension(mut self, extension: &str) -> Self {
        self.extension = extension.into();
        self
    }

    /// Names the input handed on where the step is skipped.
    #[must_use]
    pub fn through(mut self, port: &str) -> Self {
        self.through = port.into();
        self
    }

    /// The parameters with every default filled in.
    pub fn defaults(&self) -> crate::Parameters {
        crate::Parameters(self.parameters.iter().map(|p| (p.name.clone(), p.default.clone())).collect())
    }
}
