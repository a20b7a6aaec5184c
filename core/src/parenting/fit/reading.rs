//! Skeletons as files: one JSON document each, with parents, positions and the maker.

use glam::DVec3;
use serde::Deserialize;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use super::Sample;
use crate::parenting::Item;

/// Kinds that are no skeletons of a body or a machine.
const LEFT_OUT: &[&str] = &["conformance", "many skins / tentacle", "face / emoji", "mechanical prop"];
/// Kept for tests, never trained on.
const TESTS: &[&str] = &["webxr-hands"];
/// Fewer joints teach nothing.
const LEAST: usize = 5;

#[derive(Deserialize)]
struct File {
    name: String,
    author: String,
    kind: String,
    joints: Vec<FileJoint>,
}

#[derive(Deserialize)]
struct FileJoint {
    name: Option<String>,
    parent: Option<usize>,
    position: [f64; 3],
    #[serde(default)]
    bind_position: Option<[f64; 3]>,
    deforming: bool,
    chain: usize,
}

/// The files' samples in the order given, and the digest of those that are used, lower-case hex.
pub fn read_samples(files: &[Vec<u8>]) -> Result<(Vec<Sample>, String), String> {
    let mut samples = Vec::new();
    let mut digest = Sha256::new();
    for (number, bytes) in files.iter().enumerate() {
        let file: File = serde_json::from_slice(bytes).map_err(|error| format!("file {number}: {error}"))?;
        let used = file.joints.len() >= LEAST
            && !LEFT_OUT.contains(&file.kind.as_str())
            && !TESTS.iter().any(|test| file.name.starts_with(test));
        if used {
            digest.update((bytes.len() as u64).to_le_bytes());
            digest.update(bytes);
            samples.push(sample(file)?);
        }
    }
    Ok((samples, digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()))
}

fn sample(file: File) -> Result<Sample, String> {
    let count = file.joints.len();
    if file.joints.iter().any(|joint| joint.parent.is_some_and(|parent| parent >= count)) {
        return Err(format!("{}: a parent that no joint is", file.name));
    }
    let place = |joint: &FileJoint| DVec3::from(joint.bind_position.unwrap_or(joint.position));
    Ok(Sample {
        items: file.joints.iter().map(|joint| Item::new(joint.name.as_deref(), place(joint))).collect(),
        rest: file.joints.iter().map(|joint| DVec3::from(joint.position)).collect(),
        truth: file.joints.iter().map(|joint| joint.parent).collect(),
        deforming: file.joints.iter().map(|joint| joint.deforming).collect(),
        chain: file.joints.iter().map(|joint| joint.chain).collect(),
        name: file.name,
        maker: file.author,
        kind: file.kind,
    })
}

/// A sample as a file.
pub fn write_sample(sample: &Sample) -> Value {
    let joints: Vec<Value> = (0..sample.items.len())
        .map(|j| {
            let at = sample.rest[j].to_array().map(|v| (v * 1e6).round() / 1e6);
            json!({"name": sample.items[j].name, "parent": sample.truth[j], "position": at,
                   "deforming": sample.deforming[j], "chain": sample.chain[j]})
        })
        .collect();
    json!({"name": sample.name, "author": sample.maker, "kind": sample.kind, "joints": joints})
}
