//! Writes the first corpus: the demo characters in every storage variant, faulty ones, plans, and small real files.
//!
//! `cargo run --bin seeds -- CORPUS [FOLDER OF MODELS]`

use std::path::{Path, PathBuf};

use condyle_core::demo::{NAMES, character, faulty, variants};
use condyle_core::export::{Storage, write_glb};

/// Larger files make each run slow and add little.
const MOST_BYTES: u64 = 200_000;
const ENDINGS: [&str; 4] = ["glb", "gltf", "vrm", "json"];

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let corpus = arguments.next().unwrap_or_else(|| PathBuf::from("corpus/intake"));
    std::fs::create_dir_all(&corpus)?;
    let mut written = 0;
    let mut write = |bytes: &[u8]| {
        written += 1;
        std::fs::write(corpus.join(format!("seed-{written:04}")), bytes)
    };
    for name in NAMES {
        for variant in variants(name, 300) {
            write(&variant.document)?;
        }
        let clean = character(name, 300);
        let planted = faulty(name, 300).map(|(character, _)| character);
        for character in [clean, planted].into_iter().flatten() {
            write(character.plan.to_string().as_bytes())?;
            write(&write_glb(&character.scene, &Storage::default()))?;
        }
    }
    if let Some(folder) = arguments.next() {
        for file in files_below(&folder)? {
            write(&std::fs::read(file)?)?;
        }
    }
    println!("{written} files in {}", corpus.display());
    Ok(())
}

fn files_below(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            let path = entry.path();
            if entry.file_type()?.is_dir() {
                open.push(path);
            } else if entry.metadata()?.len() <= MOST_BYTES
                && path.extension().is_some_and(|ending| ENDINGS.iter().any(|known| ending == *known))
            {
                found.push(path);
            }
        }
    }
    found.sort();
    Ok(found)
}
