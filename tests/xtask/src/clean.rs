//! The tree after the CI: nothing of what it ran may leave something behind, or change what is committed.

use std::path::Path;
use std::process::Command;

/// What git would show now, one line per file.
pub(crate) fn state(root: &Path) -> Result<String, String> {
    let output = Command::new("git")
        .args(["status", "--porcelain"])
        .current_dir(root)
        .output()
        .map_err(|error| format!("git: {error}"))?;
    if !output.status.success() {
        return Err(format!("git status: {}", String::from_utf8_lossy(&output.stderr)));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Fails when the tree is not as it was.
pub(crate) fn check(root: &Path, before: &str) -> Result<(), String> {
    let after = state(root)?;
    if after == before { Ok(()) } else { Err(format!("the CI changed the tree:\n{after}")) }
}
