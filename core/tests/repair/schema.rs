//! The Khronos JSON Schemas of glTF 2.0, where they are.

use std::path::Path;

use jsonschema::Validator;
use serde_json::{Map, Value, json};

/// A validator of whole documents; nothing where the folder `../shared` is absent.
pub(crate) fn gltf() -> Option<Validator> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/standards/gltf-2.0-schema");
    let mut all = Map::new();
    for entry in std::fs::read_dir(folder).ok()?.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let mut schema: Value = serde_json::from_str(&std::fs::read_to_string(entry.path()).ok()?).ok()?;
        schema["$id"] = json!(format!("https://schemas.invalid/{name}"));
        all.insert(name, schema);
    }
    let root = json!({"$id": "https://schemas.invalid/", "$ref": "glTF.schema.json", "$defs": all});
    Some(jsonschema::draft202012::new(&root).unwrap())
}

/// What is wrong with a document, shortly.
pub(crate) fn faults(validator: &Validator, document: &Value) -> Vec<String> {
    validator
        .iter_errors(document)
        .map(|error| format!("{}: {error}", error.instance_path()))
        .take(20)
        .collect()
}
