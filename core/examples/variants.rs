//! Writes the storage variants of a demo character into a folder, for readers that are not ours.
#![expect(clippy::print_stdout, reason = "a tool for a terminal")]

use std::path::PathBuf;

use condyle_core::demo::{NAMES, variants};

fn main() -> std::io::Result<()> {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("variants"), PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    for name in NAMES {
        for variant in variants(name, 2_000) {
            let end = if variant.document.starts_with(b"glTF") { "glb" } else { "gltf" };
            std::fs::write(folder.join(format!("{name}-{}.{end}", variant.form)), variant.document)?;
            if let Some((file, bytes)) = variant.beside {
                std::fs::write(folder.join(file), bytes)?;
            }
        }
    }
    println!("{}", folder.display());
    Ok(())
}
