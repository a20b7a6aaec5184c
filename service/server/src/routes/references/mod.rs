//! `/v1/references`.

pub mod file;
pub mod get;
pub mod one;
pub mod past;
pub mod put;

use condyle_api::Reference;

use crate::store::StoredReference;

/// The wire form.
fn entry(name: &str, stored: &StoredReference) -> Reference {
    Reference {
        name: name.to_owned(),
        file: stored.file.clone(),
        bytes: stored.bytes,
        sha256: stored.sha256.clone(),
    }
}
