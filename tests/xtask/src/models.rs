//! The models of a folder, with the buffers beside them.

use std::fs;
use std::path::{Path, PathBuf};

use condyle_core::intake::{Bundle, Fault, Intake, Limits, Upload, read};

/// Models and plans below a folder, sorted.
pub(crate) fn below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(folder) = open.pop() {
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            let path = entry.path();
            let name = path.to_string_lossy().to_lowercase();
            if path.is_dir() {
                open.push(path);
            } else if [".glb", ".gltf", ".vrm", ".plan.json"].iter().any(|end| name.ends_with(end)) {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

/// Reads one, with the buffers beside a glTF.
pub(crate) fn intake(path: &Path) -> std::io::Result<Result<Intake, Fault>> {
    let bytes = fs::read(path)?;
    let mut beside = Vec::new();
    if path.extension().is_some_and(|end| end == "gltf") {
        for entry in fs::read_dir(path.parent().unwrap_or(path))?.flatten() {
            if entry.path().extension().is_some_and(|end| end == "bin" || end == "glbin") {
                beside.push((entry.file_name().to_string_lossy().into_owned(), fs::read(entry.path())?));
            }
        }
    }
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let files = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    Ok(read(
        &Bundle { model: Some(Upload { name: &name, bytes: &bytes }), files, plan: None },
        &Limits::default(),
    ))
}
