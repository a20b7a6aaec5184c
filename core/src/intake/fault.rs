//! Why no rig could be built, and where.

use std::fmt;

/// Where in the upload the fault lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// JSON Pointer into the (glTF or plan) JSON.
    Pointer(String),
    /// Byte offset into the file.
    Byte(u64),
    /// The upload as a whole.
    Whole,
}

/// The kind of fault; each maps to one problem type on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FaultKind {
    /// The container or JSON cannot be parsed.
    Malformed,
    /// The document parses, but its content builds no rig (wrong type, index that points nowhere, cycle, two parents,
    /// accessor out of bounds).
    Invalid,
    /// A limit is exceeded.
    Limit {
        /// The configuration key of the limit.
        limit: &'static str,
        /// Its value.
        max: u64,
        /// What the upload asked for.
        got: u64,
    },
    /// Neither a plan nor a glTF.
    UnknownFormat,
}

/// A fault: which file, what, where, and the rule that says so.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The kind.
    pub kind: FaultKind,
    /// The uploaded file it lies in.
    pub file: String,
    /// Where in that file.
    pub place: Place,
    /// One sentence: lower-case start, no final stop.
    pub message: String,
    /// The section of the standard that is broken, for example `glTF 2.0 §3.5.2`.
    pub rule: Option<&'static str>,
}

impl fmt::Display for Fault {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}: {}", self.file, self.message)?;
        match &self.place {
            Place::Pointer(pointer) => write!(out, " (at {pointer})")?,
            Place::Byte(offset) => write!(out, " (at byte {offset})")?,
            Place::Whole => {}
        }
        if let Some(rule) = self.rule {
            write!(out, " [{rule}]")?;
        }
        Ok(())
    }
}

impl std::error::Error for Fault {}
