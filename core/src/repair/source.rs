//! The document of a bundle that is repaired: the plan, where there is one, else the model.

use super::listing::Repairs;
use super::rounds::Repaired;
use crate::intake::{Bundle, Intake, Upload, file_digest};

/// What a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// A plan.
    Plan,
    /// A glTF as JSON.
    Gltf,
    /// A glTF as one binary file.
    Glb,
}

impl Form {
    /// Its media type. A plan's is our own, since `application/json` is the list of changes.
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Plan => "application/vnd.condyle.plan+json",
            Self::Gltf => "model/gltf+json",
            Self::Glb => "model/gltf-binary",
        }
    }
}

/// The document under repair.
#[derive(Debug)]
pub(super) struct Source<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) form: Form,
    name: &'a str,
    in_plan: bool,
}

impl<'a> Source<'a> {
    /// The document of a bundle that was read before.
    pub(super) fn of(bundle: &Bundle<'a>, intake: &Intake) -> Option<Self> {
        let upload = bundle.plan.or(bundle.model)?;
        let form = if intake.plan.is_some() {
            Form::Plan
        } else if upload.bytes.starts_with(b"glTF") {
            Form::Glb
        } else {
            Form::Gltf
        };
        Some(Self { bytes: upload.bytes, form, name: upload.name, in_plan: bundle.plan.is_some() })
    }

    /// The bundle with other bytes for the document.
    pub(super) fn replaced<'b>(&self, bundle: &Bundle<'b>, bytes: &'b [u8]) -> Bundle<'b>
    where
        'a: 'b,
    {
        let upload = Upload { name: self.name, bytes };
        let mut out = bundle.clone();
        if self.in_plan {
            out.plan = Some(upload);
        } else {
            out.model = Some(upload);
        }
        out
    }

    /// The input as it is.
    pub(super) fn unchanged(&self) -> Repaired {
        let listing = Repairs::nothing(file_digest(self.bytes));
        Repaired { bytes: self.bytes.to_vec(), form: self.form, listing }
    }
}
