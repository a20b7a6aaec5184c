//! What may depend on what: `core` stays pure, and nobody's crate turns `unsafe` back on.

use std::fs;
use std::path::Path;
use std::process::Command;

/// Crates that would bring I/O, async, clocks or randomness into `core`.
const BANNED: &[&str] =
    &["tokio", "axum", "reqwest", "sqlx", "rand", "chrono", "hyper", "tracing", "async-std"];

/// Words that have no place in `core`'s sources.
const IMPURE: &[&str] = &[
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "SystemTime",
    "Instant::now",
    "Timestamp::now",
    "HashMap",
    "HashSet",
];

pub(crate) fn check(root: &Path) -> Result<(), String> {
    let output = Command::new("cargo")
        .args([
            "tree",
            "--package",
            "condyle-core",
            "--edges",
            "normal",
            "--all-features",
            "--prefix",
            "none",
        ])
        .current_dir(root)
        .output()
        .map_err(|error| error.to_string())?;
    let tree = String::from_utf8_lossy(&output.stdout);
    if !output.status.success() || !tree.contains("condyle-core") {
        return Err(format!("cargo tree failed: {}", String::from_utf8_lossy(&output.stderr)));
    }
    for line in tree.lines() {
        let name = line.split(' ').next().unwrap_or("");
        if BANNED.contains(&name) {
            return Err(format!("core depends on {name}, which is not pure"));
        }
    }
    walk(&root.join("core/src"), &mut |path, text| {
        IMPURE
            .iter()
            .find(|word| text.contains(*word))
            .map_or(Ok(()), |word| Err(format!("{}: {word} in core", path.display())))
    })?;
    for folder in ["core/src", "service", "tests/support", "tests/it"] {
        walk(&root.join(folder), &mut |path, text| {
            if text.contains("allow(unsafe_code)") {
                Err(format!("{}: allows unsafe", path.display()))
            } else {
                Ok(())
            }
        })?;
    }
    Ok(())
}

fn walk(folder: &Path, visit: &mut dyn FnMut(&Path, &str) -> Result<(), String>) -> Result<(), String> {
    let Ok(entries) = fs::read_dir(folder) else { return Ok(()) };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() {
            walk(&path, visit)?;
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = fs::read_to_string(&path).map_err(|error| format!("{}: {error}", path.display()))?;
            visit(&path, &text)?;
        }
    }
    Ok(())
}
