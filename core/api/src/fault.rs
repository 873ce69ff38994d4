//! Errors that a person can act on.

use std::fmt;

/// What kind of thing went wrong; decides the exit code and the wording around it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FaultKind {
    /// The request cannot be met as asked: a parameter, a recipe or a file of the wrong kind.
    Request,
    /// The input's content is broken or unsuitable (a damaged file, no planet in any frame).
    Data,
    /// The machine ran out of something: disk, memory budget, permissions.
    Resource,
    /// The run was asked to stop.
    Cancelled,
    /// A mistake in this program or a plugin.
    Internal,
}

/// An error with its cause and, where there is one, the remedy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What kind of error it is.
    pub kind: FaultKind,
    /// What is wrong, naming the file and the place in it.
    pub message: String,
    /// What the user can do about it.
    pub remedy: Option<String>,
}

/// The result of anything that can fail.
pub type Outcome<T> = Result<T, Fault>;

impl Fault {
    /// A fault of the given kind without a remedy.
    pub fn new(kind: FaultKind, message: impl Into<String>) -> Self {
        Self { kind, message: message.into(), remedy: None }
    }

    /// The request cannot be met as asked.
    pub fn request(message: impl Into<String>) -> Self {
        Self::new(FaultKind::Request, message)
    }

    /// The input's content is broken or unsuitable.
    pub fn data(message: impl Into<String>) -> Self {
        Self::new(FaultKind::Data, message)
    }

    /// Disk, memory budget or permissions.
    pub fn resource(message: impl Into<String>) -> Self {
        Self::new(FaultKind::Resource, message)
    }

    /// A mistake in this program or a plugin.
    pub fn internal(message: impl Into<String>) -> Self {
        Self::new(FaultKind::Internal, message)
    }

    /// The run was asked to stop.
    pub fn cancelled() -> Self {
        Self::new(FaultKind::Cancelled, "cancelled")
    }

    /// Adds the remedy.
    #[must_use]
    pub fn remedy(mut self, remedy: impl Into<String>) -> Self {
        self.remedy = Some(remedy.into());
        self
    }

    /// Puts the place (a file, a step) in front of the message.
    #[must_use]
    pub fn at(mut self, place: impl fmt::Display) -> Self {
        self.message = format!("{place}: {}", self.message);
        self
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)?;
        if let Some(remedy) = &self.remedy {
            write!(f, "; {remedy}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Fault {}

impl From<std::io::Error> for Fault {
    fn from(error: std::io::Error) -> Self {
        Self::resource(error.to_string())
    }
}
