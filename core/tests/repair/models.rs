//! Real, openly licensed models (`../shared/data/models`): safe fixes close what they were offered for and add nothing,
//! repairing twice changes no byte, and what is not touched stays.

use std::path::{Path, PathBuf};

use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::repair::{RepairError, Which};
use libtest_mimic::{Failed, Trial};

use crate::scene::{changed, open};
use crate::{repaired, schema};

pub(crate) fn trials() -> Vec<Trial> {
    let models = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/models");
    if !models.is_dir() {
        let absent = || Err(Failed::from("the folder ../shared/data/models is absent"));
        let ci = std::env::var_os("CI").is_some();
        return vec![Trial::test("models (needs ../shared/data/models)", absent).with_ignored_flag(!ci)];
    }
    let mut files = Vec::new();
    walk(&models, &mut files);
    files.sort();
    files
        .into_iter()
        .map(|path| {
            let name = path.strip_prefix(&models).unwrap_or(&path).to_string_lossy().into_owned();
            Trial::test(format!("model: {name}"), move || check(&path))
        })
        .collect()
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            walk(&path, files);
        } else if path.extension().is_some_and(|e| e == "glb" || e == "gltf") {
            files.push(path);
        }
    }
}

fn check(path: &Path) -> Result<(), Failed> {
    let bytes = std::fs::read(path)?;
    let mut beside = Vec::new();
    for entry in std::fs::read_dir(path.parent().unwrap_or(path))?.flatten() {
        if entry.path().extension().is_some_and(|e| e == "bin") {
            beside.push((entry.file_name().to_string_lossy().into_owned(), std::fs::read(entry.path())?));
        }
    }
    let files: Vec<Upload<'_>> = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    let bundle =
        |bytes| Bundle { model: Some(Upload { name: "model", bytes }), files: files.clone(), plan: None };
    let out = match repaired(&bundle(&bytes), &Which::Safe) {
        Ok(out) => out,
        // What builds no rig is another test's matter.
        Err(RepairError::Fault(_)) => return Ok(()),
        Err(error) => return Err(format!("{error:?}").into()),
    };
    let listing = &out.listing;
    if listing.changes.is_empty() {
        return if out.bytes == bytes { Ok(()) } else { Err("changed without a change".into()) };
    }
    if !listing.opened.is_empty() {
        return Err(format!("opened: {:#?}", listing.opened).into());
    }
    let again = repaired(&bundle(&out.bytes), &Which::Safe).map_err(|e| format!("{e:?}"))?;
    if again.bytes != out.bytes {
        return Err(format!("repairing twice: {:#?}", again.listing.changes).into());
    }
    let (old, new) = (open(&bytes), open(&out.bytes));
    // Members that no safe repair writes.
    let ours = ["/nodes/", "/accessors/", "/bufferViews", "/buffers", "/skins/", "/meshes/", "/animations/"];
    let odd: Vec<String> = changed(&old.text, &new.text)
        .into_iter()
        .filter(|pointer| !ours.iter().any(|prefix| pointer.starts_with(prefix)))
        .collect();
    if !odd.is_empty() {
        return Err(format!("touched: {odd:?}").into());
    }
    if let Some(validator) = schema::gltf()
        && schema::faults(&validator, &old.json).is_empty()
    {
        let faults = schema::faults(&validator, &new.json);
        if !faults.is_empty() {
            return Err(format!("no longer valid: {faults:#?}").into());
        }
    }
    // Positions and triangles are read as they were.
    let rigs = [&bytes, &out.bytes].map(|bytes| read(&bundle(bytes), &Limits::default()));
    if let [Ok(a), Ok(b)] = rigs {
        for (a, b) in a.rig.meshes.iter().zip(&b.rig.meshes) {
            for (a, b) in a.primitives.iter().zip(&b.primitives) {
                let bits = |p: &[[f32; 3]]| p.iter().flatten().map(|c| c.to_bits()).collect::<Vec<_>>();
                if bits(&a.positions) != bits(&b.positions) || a.triangles != b.triangles {
                    return Err("the mesh has changed".into());
                }
            }
        }
    }
    Ok(())
}
