//! Writes the demo characters, clean and with planted faults, as plans and models.
//!
//! `cargo run --release -p condyle-core --example tidepool -- FOLDER [VERTICES]`
#![expect(clippy::print_stdout, clippy::print_stderr, reason = "a program for the desk")]

use std::path::Path;
use std::process::ExitCode;

use condyle_core::demo::{Character, NAMES, character, faulty};
use condyle_core::export::{Storage, write_glb};

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let Some(folder) = arguments.next() else {
        eprintln!("usage: tidepool FOLDER [VERTICES]");
        return ExitCode::from(2);
    };
    let vertices = arguments.next().and_then(|text| text.parse().ok()).unwrap_or(24_000);
    for name in NAMES {
        let spoilt = faulty(name, vertices).map(|(it, _)| it);
        for (label, it) in [("", character(name, vertices)), (".planted", spoilt)] {
            let Some(it) = it else { continue };
            if let Err(error) = write(Path::new(&folder), &format!("{name}{label}"), &it) {
                eprintln!("{folder}: {error}");
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}

fn write(folder: &Path, stem: &str, it: &Character) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    std::fs::write(folder.join(format!("{stem}.plan.json")), format!("{:#}\n", it.plan))?;
    std::fs::write(folder.join(format!("{stem}.glb")), write_glb(&it.scene, &Storage::default()))?;
    println!("{stem}: {} vertices in the body", it.scene.meshes[0].positions.len());
    Ok(())
}
