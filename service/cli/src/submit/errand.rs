//! What a run sends: which file is which asset, and what goes after what.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use super::names;
use crate::inputs::{Found, Input};
use crate::settings::AssetFrom;

/// One file and the asset that it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Errand {
    pub(super) path: PathBuf,
    pub(super) asset: String,
    /// The label, where the name says it; else it follows from the bytes.
    pub(super) label: Option<String>,
}

/// What is asked of all files.
pub(super) struct Naming<'a> {
    pub(super) asset: Option<&'a str>,
    pub(super) label: Option<&'a str>,
    pub(super) from: AssetFrom,
}

/// The errands of each asset, in the order in which they are to be run: revisions of one asset never overtake each
/// other.
///
/// A model that was found in a folder and is the body of a plan that was found, too, goes with the plan alone.
///
/// # Errors
/// A file that no asset can be told from, and two files that would be the same revision.
pub(super) fn errands(files: &[Found], naming: &Naming<'_>) -> Result<Vec<Vec<Errand>>, String> {
    if naming.asset.is_some() && files.len() > 1 {
        return Err(format!("--asset names one asset, and there are {} files", files.len()));
    }
    let mut bodies: BTreeSet<PathBuf> = BTreeSet::new();
    let mut assets: BTreeMap<&PathBuf, String> = BTreeMap::new();
    for file in files {
        if !file.path.to_string_lossy().to_lowercase().ends_with(".json") {
            continue;
        }
        // What cannot be read is told when it is its turn.
        let Ok(input) = Input::read(&file.path) else { continue };
        if let Some(asset) = input.asset.clone() {
            assets.insert(&file.path, asset);
            let folder = file.path.parent().map(std::path::Path::to_path_buf).unwrap_or_default();
            bodies.extend(input.beside.iter().map(|name| folder.join(name)));
        }
    }
    let mut groups: BTreeMap<String, Vec<Errand>> = BTreeMap::new();
    for file in files {
        if file.root.is_some() && bodies.contains(&file.path) {
            continue;
        }
        let own = || assets.get(&file.path).cloned();
        let derived = || names::asset(&file.path, file.root.as_deref(), naming.from);
        let asset = naming.asset.map(str::to_owned).or_else(own).or_else(derived).ok_or_else(|| {
            format!("{}: no asset can be told from this path; --asset names it", file.path.display())
        })?;
        let label = naming.label.map(str::to_owned).or_else(|| names::version_of(&file.path));
        groups.entry(asset.clone()).or_default().push(Errand { path: file.path.clone(), asset, label });
    }
    for group in groups.values_mut() {
        group.sort_by_cached_key(|errand| {
            let label = errand.label.as_deref().unwrap_or("");
            let number = label.trim_start_matches(['v', 'V']).trim_start_matches('0');
            (number.len(), number.to_owned(), errand.path.clone())
        });
        for pair in group.windows(2) {
            let [one, other] = pair else { continue };
            if naming.label.is_some() || one.label.is_none() || one.label == other.label {
                return Err(format!(
                    "{} and {} are both the asset {}; --asset-from folder or path tells them apart",
                    one.path.display(),
                    other.path.display(),
                    one.asset
                ));
            }
        }
    }
    Ok(groups.into_values().collect())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    const BY_FILE: Naming<'_> = Naming { asset: None, label: None, from: AssetFrom::File };

    fn folder(files: &[(&str, &str)]) -> (tempfile::TempDir, Vec<Found>) {
        let folder = tempfile::tempdir().unwrap();
        for (name, text) in files {
            let path = folder.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        let found = crate::inputs::find(&[folder.path().to_path_buf()]).unwrap();
        (folder, found)
    }

    fn told(groups: &[Vec<Errand>]) -> Vec<Vec<(&str, Option<&str>)>> {
        groups
            .iter()
            .map(|group| group.iter().map(|one| (one.asset.as_str(), one.label.as_deref())).collect())
            .collect()
    }

    #[test]
    fn versions_of_one_asset_go_one_after_the_other_by_number() {
        let (_kept, found) = folder(&[("eel_v10.glb", ""), ("eel_v9.glb", ""), ("heron.glb", "")]);
        let groups = errands(&found, &BY_FILE).unwrap();
        assert_eq!(told(&groups), [vec![("eel", Some("v9")), ("eel", Some("v10"))], vec![("heron", None)]]);
    }

    #[test]
    fn a_plan_says_its_asset_and_takes_its_body_along() {
        let plan =
            r#"{"schema": "condyle.plan/1", "asset": "fiddler-porter", "body": {"files": ["crab.glb"]}}"#;
        let (_kept, found) = folder(&[("crab.glb", ""), ("crab.plan.json", plan)]);
        assert_eq!(told(&errands(&found, &BY_FILE).unwrap()), [vec![("fiddler-porter", None)]]);
    }

    #[test]
    fn two_files_of_one_name_are_told_apart_or_refused() {
        let (_kept, found) = folder(&[("crab/body.glb", ""), ("eel/body.glb", "")]);
        let error = errands(&found, &BY_FILE).unwrap_err();
        assert!(error.contains("are both the asset body; --asset-from folder"), "{error}");
        let by_folder = Naming { from: AssetFrom::Folder, ..BY_FILE };
        assert_eq!(told(&errands(&found, &by_folder).unwrap()), [vec![("crab", None)], vec![("eel", None)]]);
        let named = Naming { asset: Some("crab"), ..BY_FILE };
        assert!(errands(&found, &named).unwrap_err().contains("2 files"));
    }
}
