//! What went wrong, and the exit code it means.

use std::process::ExitCode;

use stillair_api::{Fault, FaultKind};
use stillair_engine::diagnostic::Diagnostics;
use stillair_engine::run::Failed;

/// Why a verb did not do what was asked.
#[derive(Debug)]
pub enum Failure {
    /// A recipe, a session file or a setting is wrong.
    Words(Diagnostics),
    /// Anything else.
    Fault(Fault),
    /// A run that was begun, or refused by its inputs.
    Run(Box<Failed>),
}

impl Failure {
    /// The request was wrong.
    pub fn request(message: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self::Fault(Fault::request(message).remedy(remedy))
    }

    /// 1 the work failed, 2 the request was wrong, 130 or 143 stopped by a signal.
    pub fn exit_code(&self) -> ExitCode {
        let kind = match self {
            Self::Words(_) => FaultKind::Request,
            Self::Fault(fault) => fault.kind,
            Self::Run(failed) => failed.fault.kind,
        };
        ExitCode::from(match kind {
            FaultKind::Request => 2,
            FaultKind::Cancelled => crate::signals::exit_code(),
            FaultKind::Data | FaultKind::Resource | FaultKind::Internal => 1,
        })
    }
}

impl From<Diagnostics> for Failure {
    fn from(diagnostics: Diagnostics) -> Self {
        Self::Words(diagnostics)
    }
}

impl From<Fault> for Failure {
    fn from(fault: Fault) -> Self {
        Self::Fault(fault)
    }
}
