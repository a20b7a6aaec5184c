//! Digests of what was uploaded.

use sha2::{Digest, Sha256};

use super::{Bundle, FileSummary};
use crate::check::hex;

/// Every file of the bundle, sorted by name, and the digest of the whole: of the single file, or of the sorted list
/// of names and digests (`name`, NUL, hex digest, newline).
pub(super) fn digest(bundle: &Bundle<'_>) -> (Vec<FileSummary>, String) {
    let mut files: Vec<FileSummary> = bundle
        .plan
        .iter()
        .chain(&bundle.model)
        .chain(&bundle.files)
        .map(|upload| FileSummary {
            name: upload.name.to_owned(),
            bytes: upload.bytes.len() as u64,
            sha256: hex(&Sha256::digest(upload.bytes)),
        })
        .collect();
    files.sort_by(|a, b| (&a.name, &a.sha256).cmp(&(&b.name, &b.sha256)));
    if let [only] = files.as_slice() {
        let whole = only.sha256.clone();
        return (files, whole);
    }
    let mut hash = Sha256::new();
    for file in &files {
        hash.update(format!("{}\0{}\n", file.name, file.sha256));
    }
    let whole = hex(&hash.finalize());
    (files, whole)
}

/// The digest of a bundle, without reading it.
pub fn input_digest(bundle: &Bundle<'_>) -> String {
    digest(bundle).1
}

/// The digest of one file, lower-case hex.
pub fn file_digest(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}
