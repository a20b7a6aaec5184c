//! Files that are made from the code and committed.

use std::fs;
use std::path::Path;

fn files() -> Vec<(&'static str, String)> {
    vec![
        ("openapi/openapi.json", condyle_server::openapi::document()),
        ("openapi/plan.schema.json", condyle_server::openapi::plan_schema()),
        ("openapi/profile.schema.json", condyle_server::openapi::profile_schema()),
        ("openapi/problems.md", condyle_server::openapi::problems()),
        ("core/CHECKS.md", condyle_server::openapi::checks_index()),
    ]
}

/// Writes them all.
pub(crate) fn write(root: &Path) -> Result<(), String> {
    for (path, text) in files() {
        fs::write(root.join(path), text).map_err(|error| format!("{path}: {error}"))?;
        println!("wrote {path}");
    }
    Ok(())
}

/// Fails where a committed file differs.
pub(crate) fn check(root: &Path) -> Result<(), String> {
    for (path, text) in files() {
        let there = fs::read_to_string(root.join(path)).unwrap_or_default();
        if there != text {
            return Err(format!("{path} is out of date; run cargo xtask gen"));
        }
    }
    Ok(())
}
