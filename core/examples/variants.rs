//! Writes the storage variants of a demo character into a folder, for readers that are not ours.
#![expect(clippy::print_stdout, reason = "a tool for a terminal")]

use std::path::PathBuf;

use condyle_core::demo::{NAMES, variants};

fn main() -> std::io::Result<()> {
    let folder = std::env::args_os().nth(1).map_or_else(|| PathBuf::from("variants"), PathBuf::from);
    std::fs::create_dir_all(&folder)?;
    for name in NAMES {
        for (storage, glb) in variants(name, 2_000) {
            std::fs::write(folder.join(format!("{name}-{storage}.glb")), glb)?;
        }
    }
    println!("{}", folder.display());
    Ok(())
}
