//! Files and folders of the command line, and the files a model refers to.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use condyle_core::intake::{Bundle, Upload};

/// A file beside a model.
pub(crate) struct Named {
    pub(crate) name: String,
    pub(crate) bytes: Vec<u8>,
}

/// One thing to check: a model or a plan, with what it refers to.
pub(crate) struct Input {
    model: Named,
    files: Vec<Named>,
    body: Option<Named>,
}

impl Input {
    /// Reads a file, and for a glTF JSON the buffers beside it, for a plan its body.
    pub(crate) fn read(path: &Path) -> std::io::Result<Self> {
        let name =
            path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
        let bytes = std::fs::read(path)?;
        let mut files = Vec::new();
        let mut body = None;
        if !bytes.starts_with(b"glTF")
            && let Ok(json) = serde_json::from_slice::<serde_json::Value>(&bytes)
        {
            let folder = path.parent().unwrap_or(Path::new(""));
            let is_plan = json.get("schema").is_some();
            let list = if is_plan { json.pointer("/body/files") } else { json.get("buffers") };
            let uris: BTreeSet<&str> = list
                .and_then(|list| list.as_array())
                .into_iter()
                .flatten()
                .filter_map(|item| if is_plan { item.as_str() } else { item.get("uri")?.as_str() })
                .filter(|uri| !uri.starts_with("data:"))
                .collect();
            for uri in uris {
                // Only files beside the document: a name with a separator is never opened.
                let plain = percent_encoding::percent_decode_str(uri).decode_utf8_lossy().into_owned();
                if plain.is_empty() || plain.contains(['/', '\\', ':']) || plain.starts_with('.') {
                    continue;
                }
                if let Ok(bytes) = std::fs::read(folder.join(&plain)) {
                    let named = Named { name: plain, bytes };
                    if is_plan && body.is_none() { body = Some(named) } else { files.push(named) }
                }
            }
        }
        Ok(Self { model: Named { name, bytes }, files, body })
    }

    /// What core reads.
    pub(crate) fn bundle(&self) -> Bundle<'_> {
        fn borrow(named: &Named) -> Upload<'_> {
            Upload { name: &named.name, bytes: &named.bytes }
        }
        match &self.body {
            Some(body) => Bundle {
                plan: Some(borrow(&self.model)),
                model: Some(borrow(body)),
                files: self.files.iter().map(borrow).collect(),
            },
            None => Bundle {
                plan: None,
                model: Some(borrow(&self.model)),
                files: self.files.iter().map(borrow).collect(),
            },
        }
    }
}

/// Files as given; folders are walked for models and plans, sorted.
pub(crate) fn collect(paths: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    let mut found = Vec::new();
    for path in paths {
        let meta = std::fs::metadata(path).map_err(|error| format!("{}: {error}", path.display()))?;
        if meta.is_dir() {
            walk(path, &mut found, 0).map_err(|error| format!("{}: {error}", path.display()))?;
        } else {
            found.push(path.clone());
        }
    }
    Ok(found)
}

fn walk(folder: &Path, found: &mut Vec<PathBuf>, depth: u32) -> std::io::Result<()> {
    let mut entries: Vec<_> = std::fs::read_dir(folder)?.collect::<Result<_, _>>()?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = entry.path();
        let kind = entry.file_type()?;
        if kind.is_dir() && depth < 32 {
            walk(&path, found, depth + 1)?;
        } else if kind.is_file() {
            let name = entry.file_name().to_string_lossy().to_lowercase();
            if [".glb", ".gltf", ".vrm", ".plan.json"].iter().any(|end| name.ends_with(end)) {
                found.push(path);
            }
        }
    }
    Ok(())
}
