//! `cargo xtask release-catalogue`: writes down the catalogue as it is, under its version.

use std::path::Path;

use condyle_core::check::{CATALOGUE_VERSION, Catalogue, Release};

const LIST: &str = "core/src/check/catalogue.rs";
const FOLDER: &str = "core/src/check/catalogues";

/// Writes the file of the current version and adds it to the list; a version that was released is never touched.
pub(crate) fn release(root: &Path) -> Result<(), String> {
    let file = root.join(FOLDER).join(format!("{CATALOGUE_VERSION}.json"));
    if file.exists() || Catalogue::versions().any(|version| version == CATALOGUE_VERSION) {
        return Err(format!(
            "the catalogue {CATALOGUE_VERSION} was released and stays as it is; raise CATALOGUE_VERSION in \
             core/src/check/registry.rs"
        ));
    }
    let mut text = serde_json::to_string_pretty(&Release::now()).map_err(|error| error.to_string())?;
    text.push('\n');
    let list = std::fs::read_to_string(root.join(LIST)).map_err(|error| format!("{LIST}: {error}"))?;
    let list = listed(&list, CATALOGUE_VERSION).ok_or_else(|| format!("{LIST}: no list RELEASED"))?;
    std::fs::write(&file, text).map_err(|error| format!("{}: {error}", file.display()))?;
    std::fs::write(root.join(LIST), list).map_err(|error| format!("{LIST}: {error}"))?;
    println!("released the catalogue {CATALOGUE_VERSION}");
    Ok(())
}

/// The source with one more line at the end of the list.
fn listed(source: &str, version: &str) -> Option<String> {
    let begin = source.find("const RELEASED:")?;
    let end = begin + source[begin..].find("\n];")? + 1;
    let line = format!("    (\"{version}\", include_str!(\"catalogues/{version}.json\")),\n");
    Some(format!("{}{line}{}", &source[..end], &source[end..]))
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::listed;

    #[test]
    fn a_version_goes_to_the_end_of_the_list() {
        let source = "const OTHER: &[u8] = &[\n];\nconst RELEASED: &[(&str, &str)] = &[\n    (\"1\", x),\n];\nfn f() {}\n";
        let now = listed(source, "2").unwrap();
        assert!(
            now.contains("    (\"1\", x),\n    (\"2\", include_str!(\"catalogues/2.json\")),\n];\nfn f"),
            "{now}"
        );
    }
}
