//! What closes the gate of a command, and what its exit code is.

use clap::ValueEnum;
#[cfg(feature = "client")]
use condyle_core::report::Verdict;
use condyle_core::report::{FailOn, Severity};

/// What closes the gate.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
#[cfg_attr(feature = "client", derive(serde::Deserialize), serde(rename_all = "lowercase"))]
pub(crate) enum Threshold {
    /// An error that no waiver covers.
    #[default]
    Error,
    /// A warning, too.
    Warning,
    /// Nothing.
    Never,
}

impl Threshold {
    /// As a request to check says it.
    pub(crate) fn fail_on(self) -> FailOn {
        match self {
            Self::Error => FailOn::Error,
            Self::Warning => FailOn::Warning,
            Self::Never => FailOn::Never,
        }
    }

    /// The least severity that closes it.
    pub(crate) fn least(self) -> Option<Severity> {
        match self {
            Self::Error => Some(Severity::Error),
            Self::Warning => Some(Severity::Warning),
            Self::Never => None,
        }
    }

    /// The word for it in a query.
    #[cfg(feature = "client")]
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Never => "never",
        }
    }

    /// What the gate says to a verdict.
    #[cfg(feature = "client")]
    pub(crate) fn passes(self, verdict: Verdict) -> bool {
        match self {
            Self::Error => verdict != Verdict::Fail,
            Self::Warning => verdict == Verdict::Pass,
            Self::Never => true,
        }
    }
}
