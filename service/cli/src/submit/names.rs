//! Which asset a file is, and what its revision is called, where nobody says so.
//!
//! The asset is what the plan says, for a plan; else the file's name without its ending and without a version at its end,
//! or the folder, or the way to it. The label is the version at the end of the file's name (`_v012`, `.12`), else `sha-`
//! and the first twelve digits of the input's digest: the same bytes have the same label, on every machine.

use std::path::Path;

use crate::settings::AssetFrom;

/// Names are at most so long, as the service has them.
const LONGEST: usize = 100;
const ENDINGS: [&str; 6] = [".plan.json", ".glb", ".gltf", ".vrm", ".json", ".bin"];

/// The asset that a file is, by its path. `root` is the folder that was given, where the file was found in one.
pub(super) fn asset(path: &Path, root: Option<&Path>, from: AssetFrom) -> Option<String> {
    let stem = stem(path)?;
    let (unversioned, _) = version(&stem);
    let text = match from {
        AssetFrom::File => unversioned.to_owned(),
        AssetFrom::Folder => {
            let whole = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
            whole.parent()?.file_name()?.to_string_lossy().into_owned()
        }
        AssetFrom::Path => {
            let inside = root.and_then(|root| path.strip_prefix(root).ok()).unwrap_or(path);
            let folders = inside.parent().into_iter().flat_map(Path::components);
            let mut words: Vec<String> = folders
                .filter_map(|part| match part {
                    std::path::Component::Normal(name) => Some(name.to_string_lossy().into_owned()),
                    _ => None,
                })
                .collect();
            words.push(unversioned.to_owned());
            words.join(".")
        }
    };
    sound(&text)
}

/// The version at the end of a file's name.
pub(super) fn version_of(path: &Path) -> Option<String> {
    version(&stem(path)?).1.map(str::to_owned)
}

/// The label of what has no other: by its bytes.
pub(super) fn label(digest: &str) -> String {
    format!("sha-{}", digest.get(..12).unwrap_or(digest))
}

/// The file's name without its ending.
fn stem(path: &Path) -> Option<String> {
    let name = path.file_name()?.to_string_lossy().into_owned();
    let lower = name.to_lowercase();
    let ending = ENDINGS.iter().find(|ending| lower.ends_with(*ending) && lower.len() > ending.len());
    Some(match ending {
        // Lower case may have another length beyond ASCII.
        Some(ending) => name.get(..name.len() - ending.len()).unwrap_or(&name).to_owned(),
        None => name,
    })
}

/// A name and the version at its end: digits, with or without a `v`, after `.`, `_` or `-`.
fn version(stem: &str) -> (&str, Option<&str>) {
    let Some(at) = stem.rfind(['.', '_', '-']).filter(|at| *at > 0) else { return (stem, None) };
    let (name, tail) = (&stem[..at], &stem[at + 1..]);
    let digits = tail.strip_prefix(['v', 'V']).unwrap_or(tail);
    // A number alone must look like one that is counted up: `leg_2` is the second leg.
    let counted = tail.len() > digits.len() || digits.len() >= 3;
    if counted && !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit()) && tail.len() <= LONGEST {
        return (name, Some(tail));
    }
    (stem, None)
}

/// A text as the service takes names: what it does not take becomes `-`.
fn sound(text: &str) -> Option<String> {
    let mut name = String::new();
    for c in text.chars() {
        let kept = c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-');
        if kept && (!name.is_empty() || c.is_ascii_alphanumeric()) {
            name.push(c);
        } else if !name.is_empty() && !name.ends_with('-') {
            name.push('-');
        }
    }
    let name = name.trim_end_matches('-');
    (!name.is_empty() && name.len() <= LONGEST).then(|| name.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(path: &str, root: Option<&str>, from: AssetFrom) -> Option<String> {
        asset(Path::new(path), root.map(Path::new), from)
    }

    #[test]
    fn the_file_names_the_asset_without_its_ending_and_its_version() {
        let of = |path: &str| named(path, None, AssetFrom::File).unwrap_or_default();
        assert_eq!(of("crabs/fiddler-porter.glb"), "fiddler-porter");
        assert_eq!(of("crabs/fiddler-porter_v012.plan.json"), "fiddler-porter");
        assert_eq!(of("eel.0042.GLTF"), "eel");
        assert_eq!(of("leg_2.glb"), "leg_2");
        assert_eq!(of("Großer Reiher (neu).vrm"), "Gro-er-Reiher-neu");
        assert_eq!(of("_hidden-.glb"), "hidden");
        assert_eq!(named("鷺.glb", None, AssetFrom::File), None);
        assert_eq!(named(&format!("{}.glb", "a".repeat(101)), None, AssetFrom::File), None);
    }

    #[test]
    fn the_folder_or_the_way_names_it_where_asked() {
        let crab = "tidepool/crabs/fiddler-porter/body_v3.glb";
        assert_eq!(named(crab, None, AssetFrom::Folder).as_deref(), Some("fiddler-porter"));
        assert_eq!(
            named(crab, Some("tidepool/crabs"), AssetFrom::Path).as_deref(),
            Some("fiddler-porter.body")
        );
        assert_eq!(named("../x/eel.glb", None, AssetFrom::Path).as_deref(), Some("x.eel"));
    }

    #[test]
    fn the_label_is_the_version_of_the_file_else_of_its_bytes() {
        let of = |path: &str| version_of(Path::new(path));
        assert_eq!(of("heron_v012.glb").as_deref(), Some("v012"));
        assert_eq!(of("heron.0042.glb").as_deref(), Some("0042"));
        assert_eq!(of("heron.plan.json"), None);
        assert_eq!(of("heron_2.glb"), None);
        assert_eq!(label(&"0123456789abcdef".repeat(4)), "sha-0123456789ab");
    }
}
