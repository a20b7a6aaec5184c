//! `condyle sweep --glb` as a process.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::process::{Command, Output};

use condyle_core::intake::{Bundle, Limits, Upload, read};

fn condyle(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_condyle")).args(arguments).output().unwrap()
}

fn clips(path: &std::path::Path) -> usize {
    let bytes = std::fs::read(path).unwrap();
    let model = Some(Upload { name: "model", bytes: &bytes });
    read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap().rig.clips.len()
}

#[test]
fn the_worst_poses_are_written_as_a_clip_of_one_model() {
    let folder = tempfile::tempdir().unwrap();
    let rig = condyle_core::testing::build(
        "gltf\njoint stalk at 0 0.2 0 parent none\njoint lure at 0 0.6 0 tip 0 1 0\n\
         body tubes radius 0.04 rings 16 sides 12\nmutate row 192 2 stalk 0.75 lure 0.25\n",
    )
    .unwrap();
    let (from, to) = (folder.path().join("rig.glb"), folder.path().join("worst.glb"));
    std::fs::write(&from, rig).unwrap();
    let (from_text, to_text) = (from.to_str().unwrap(), to.to_str().unwrap());
    let out = condyle(&["sweep", from_text, "--glb", to_text]);
    // A torn seam closes the gate; the file is written all the same.
    assert_eq!(out.status.code(), Some(1), "{out:?}");
    assert!(String::from_utf8_lossy(&out.stdout).contains("sweep/tear"), "{out:?}");
    assert_eq!(clips(&to), clips(&from) + 1);
    let two = condyle(&["sweep", from_text, to_text, "--glb", to_text]);
    assert_eq!(two.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&two.stderr).contains("of one model"), "{two:?}");
}
