//! Files, folders and patterns of the command line, and the files a model refers to.

use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use condyle_core::intake::{Bundle, Upload};
use globset::{GlobBuilder, GlobMatcher};

/// What a walk looks for.
const ENDINGS: [&str; 4] = [".glb", ".gltf", ".vrm", ".plan.json"];
/// Folders in folders that a walk goes into.
const DEEPEST: u32 = 32;

/// A file beside a model.
pub(crate) struct Named {
    pub(crate) name: String,
    pub(crate) bytes: Arc<Vec<u8>>,
}

/// One thing to check: a model or a plan, with what it refers to.
pub(crate) struct Input {
    model: Named,
    files: Vec<Named>,
    body: Option<Named>,
    /// The plan's own name for its asset.
    #[cfg_attr(not(feature = "client"), expect(dead_code, reason = "for submissions"))]
    pub(crate) asset: Option<String>,
    /// Names of files in the same folder that it refers to, also of such as are not there.
    pub(crate) beside: BTreeSet<String>,
}

impl Input {
    /// Reads a file, and for a glTF JSON the buffers beside it, for a plan its body.
    pub(crate) fn read(path: &Path) -> std::io::Result<Self> {
        let name =
            path.file_name().map_or_else(|| path.display().to_string(), |n| n.to_string_lossy().into_owned());
        let bytes = Arc::new(std::fs::read(path)?);
        let mut input = Self {
            model: Named { name, bytes },
            files: Vec::new(),
            body: None,
            asset: None,
            beside: BTreeSet::new(),
        };
        if input.model.bytes.starts_with(b"glTF") {
            return Ok(input);
        }
        let Ok(json) = serde_json::from_slice::<serde_json::Value>(&input.model.bytes) else {
            return Ok(input);
        };
        let folder = path.parent().unwrap_or(Path::new(""));
        let is_plan = json.get("schema").is_some();
        if is_plan {
            input.asset = json.get("asset").and_then(|asset| asset.as_str()).map(str::to_owned);
        }
        let list = if is_plan { json.pointer("/body/files") } else { json.get("buffers") };
        // Only files beside the document: a name with a separator is never opened.
        input.beside = list
            .and_then(|list| list.as_array())
            .into_iter()
            .flatten()
            .filter_map(|item| if is_plan { item.as_str() } else { item.get("uri")?.as_str() })
            .filter(|uri| !uri.starts_with("data:"))
            .map(|uri| percent_encoding::percent_decode_str(uri).decode_utf8_lossy().into_owned())
            .filter(|plain| !plain.is_empty() && !plain.contains(['/', '\\', ':']) && !plain.starts_with('.'))
            .collect();
        for plain in &input.beside {
            if let Ok(bytes) = std::fs::read(folder.join(plain)) {
                let named = Named { name: plain.clone(), bytes: Arc::new(bytes) };
                if is_plan && input.body.is_none() {
                    input.body = Some(named);
                } else {
                    input.files.push(named);
                }
            }
        }
        Ok(input)
    }

    /// What core reads.
    pub(crate) fn bundle(&self) -> Bundle<'_> {
        fn borrow(named: &Named) -> Upload<'_> {
            Upload { name: &named.name, bytes: &named.bytes }
        }
        let files = self.files.iter().map(borrow).collect();
        match &self.body {
            Some(body) => Bundle { plan: Some(borrow(&self.model)), model: Some(borrow(body)), files },
            None => Bundle { plan: None, model: Some(borrow(&self.model)), files },
        }
    }

    /// The text that the findings' pointers go into, where the input is a document of text.
    pub(crate) fn text(&self) -> Option<&str> {
        if self.model.bytes.starts_with(b"glTF") { None } else { std::str::from_utf8(&self.model.bytes).ok() }
    }

    /// Its files as the parts of a form: part, file.
    #[cfg(feature = "client")]
    pub(crate) fn parts(&self) -> impl Iterator<Item = (&'static str, &Named)> {
        let first = if self.body.is_some() { "plan" } else { "model" };
        std::iter::once((first, &self.model))
            .chain(self.body.iter().map(|body| ("model", body)))
            .chain(self.files.iter().map(|file| ("file", file)))
    }
}

/// A file of the command line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Found {
    /// Where it is.
    pub(crate) path: PathBuf,
    /// The folder that was given, where it was found in one.
    pub(crate) root: Option<PathBuf>,
}

/// Files as given; folders are walked for models and plans, patterns for what they fit, both sorted. What is met twice
/// counts once.
pub(crate) fn find(paths: &[PathBuf]) -> Result<Vec<Found>, String> {
    let mut found: Vec<Found> = Vec::new();
    for path in paths {
        let wrong = |error: String| format!("{}: {error}", path.display());
        match std::fs::metadata(path) {
            Ok(meta) if meta.is_dir() => {
                let all = walk(path, &is_ours).map_err(|error| wrong(error.to_string()))?;
                found.extend(all.into_iter().map(|file| Found { path: file, root: Some(path.clone()) }));
            }
            Ok(_) => found.push(Found { path: path.clone(), root: None }),
            Err(error) => {
                let Some((root, matcher)) = pattern(path)? else { return Err(wrong(error.to_string())) };
                let fits =
                    |file: &Path| is_ours(file) && matcher.is_match(file.strip_prefix(".").unwrap_or(file));
                let all = walk(&root, &fits).map_err(|error| wrong(error.to_string()))?;
                if all.is_empty() {
                    return Err(wrong("no model and no plan fits this pattern".into()));
                }
                found.extend(all.into_iter().map(|file| Found { path: file, root: Some(root.clone()) }));
            }
        }
    }
    let mut seen = BTreeSet::new();
    found.retain(|one| seen.insert(one.path.clone()));
    Ok(found)
}

/// The paths alone.
pub(crate) fn collect(paths: &[PathBuf]) -> Result<Vec<PathBuf>, String> {
    Ok(find(paths)?.into_iter().map(|found| found.path).collect())
}

/// Whether a file is one that a walk looks for, by its name.
pub(crate) fn is_ours(path: &Path) -> bool {
    let name = path.file_name().map(|name| name.to_string_lossy().to_lowercase()).unwrap_or_default();
    ENDINGS.iter().any(|end| name.ends_with(end))
}

/// A path as a pattern (`crabs/**/*.glb`), where it is one: the folder to walk, and what fits. A star does not cross
/// folders, two stars do.
fn pattern(path: &Path) -> Result<Option<(PathBuf, GlobMatcher)>, String> {
    let text = path.to_string_lossy();
    if !text.contains(['*', '?', '[', '{']) {
        return Ok(None);
    }
    let plain = |part: &Component<'_>| !part.as_os_str().to_string_lossy().contains(['*', '?', '[', '{']);
    let root: PathBuf = path.components().take_while(plain).collect();
    let root = if root.as_os_str().is_empty() { PathBuf::from(".") } else { root };
    let text = text.strip_prefix("./").unwrap_or(&text);
    let glob = GlobBuilder::new(text).literal_separator(true).build().map_err(|error| error.to_string())?;
    Ok(Some((root, glob.compile_matcher())))
}

/// Every file below a folder that is wanted, by name; links to folders are not followed.
fn walk(folder: &Path, wanted: &dyn Fn(&Path) -> bool) -> std::io::Result<Vec<PathBuf>> {
    fn go(
        folder: &Path,
        wanted: &dyn Fn(&Path) -> bool,
        found: &mut Vec<PathBuf>,
        depth: u32,
    ) -> std::io::Result<()> {
        let mut entries: Vec<_> = std::fs::read_dir(folder)?.collect::<Result<_, _>>()?;
        entries.sort_by_key(std::fs::DirEntry::file_name);
        for entry in entries {
            let path = entry.path();
            let kind = entry.file_type()?;
            if kind.is_dir() && depth < DEEPEST {
                go(&path, wanted, found, depth + 1)?;
            } else if (kind.is_file() || kind.is_symlink() && path.is_file()) && wanted(&path) {
                found.push(path);
            }
        }
        Ok(())
    }
    let mut found = Vec::new();
    go(folder, wanted, &mut found, 0)?;
    Ok(found)
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn folders_patterns_and_files_are_found_once_and_sorted() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        std::fs::create_dir_all(at("crabs/small")).unwrap();
        for name in ["crabs/b.glb", "crabs/a.plan.json", "crabs/small/c.GLTF", "crabs/notes.json", "eel.vrm"]
        {
            std::fs::write(at(name), "{}").unwrap();
        }
        let names = |paths: &[PathBuf]| -> Vec<String> {
            let short = |found: Found| found.path.strip_prefix(folder.path()).unwrap().display().to_string();
            find(paths).unwrap().into_iter().map(short).collect()
        };
        assert_eq!(names(&[at("crabs")]), ["crabs/a.plan.json", "crabs/b.glb", "crabs/small/c.GLTF"]);
        assert_eq!(names(&[at("*")]), ["eel.vrm"], "a star stays in its folder");
        assert_eq!(names(&[at("**/*.{glb,vrm}")]), ["crabs/b.glb", "eel.vrm"]);
        assert_eq!(names(&[at("crabs/b.glb"), at("crabs/*.glb")]), ["crabs/b.glb"]);
        assert_eq!(names(&[at("crabs/notes.json")]), ["crabs/notes.json"], "what is named is taken");
        assert!(find(&[at("*.gltf")]).unwrap_err().contains("no model and no plan"));
        assert!(find(&[at("crabs/{a")]).unwrap_err().contains('{'));
        assert!(find(&[at("nowhere.glb")]).is_err());
        let found = find(&[at("crabs")]).unwrap();
        assert_eq!(found[2].root, Some(at("crabs")));
    }
}
