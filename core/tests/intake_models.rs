//! Real, openly licensed models that nobody here made (`../shared/data/models`): each is read and checked without a
//! panic, and the broken ones get the fault that is wrong with them.
#![expect(clippy::print_stderr, reason = "a test harness of its own")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::intake::{Bundle, FaultKind, Limits, Place, Upload, read};
use condyle_core::report::NotRunStatus;
use libtest_mimic::{Arguments, Failed, Trial};

/// Files that build no rig: the kind, the places that may be named, and why, from the file's own content
/// against the specification. (`intake_outside.rs` holds the same files to what another reader finds in them.)
const BROKEN: &[(&str, Kind, &[&str])] = &[
    // glTF 2.0 §3.7.3.1: joints are unsigned bytes or shorts; accessor 3, JOINTS_2, has component type 5125.
    ("magnum-tests/gltf/mesh-skin-attributes.gltf", Kind::Invalid, &["/accessors/3"]),
    // RFC 8259 §5: after the element `}` of line 71 comes `,` or `]`; Python's json says so at character 2157.
    ("magnum-tests/gltf/scene-custom-fields.gltf", Kind::Malformed, &["2157"]),
    // §3.3: scene 0 of an empty list.
    ("magnum-tests/gltf/scene-default-oob.gltf", Kind::Invalid, &["/scene"]),
    // §3.3: node 7 of seven (0 to 6).
    ("magnum-tests/gltf/scene-invalid-child-oob.gltf", Kind::Invalid, &["/nodes/4/children/0"]),
    // §5.25: children is a list; it is an object.
    ("magnum-tests/gltf/scene-invalid-children-property.gltf", Kind::Invalid, &["/nodes/1/children"]),
    // RFC 8259 §7: `\u` and four hexadecimal digits. The escape starts at byte 97 (0-based 96, by Python's json); the
    // first byte that is no digit is `h`, and a reader that takes all four first stops after the fourth.
    ("magnum-tests/gltf/scene-invalid-extras-property.gltf", Kind::Malformed, &["98", "99", "100", "101"]),
    // §3.5.2: a node has one parent; node 2 is a child of 0 and then of 1.
    ("magnum-tests/gltf/scene-invalid-multiple-parents.gltf", Kind::Invalid, &["/nodes/1/children/0"]),
    // As above, 44 bytes further on.
    (
        "magnum-tests/gltf/scene-invalid-nested-extras-property.gltf",
        Kind::Malformed,
        &["142", "143", "144", "145"],
    ),
    // §3.3: node 7 of seven.
    ("magnum-tests/gltf/scene-invalid-node-oob.gltf", Kind::Invalid, &["/scenes/0/nodes/0"]),
    // §5.26: nodes is a list; it is an object.
    ("magnum-tests/gltf/scene-invalid-nodes-property.gltf", Kind::Invalid, &["/scenes/1/nodes"]),
    // §3.3: mesh 5 of five; skin 3 of three, twice; mesh -1.
    (
        "magnum-tests/gltf/scene-invalid.gltf",
        Kind::Invalid,
        &["/nodes/7/mesh", "/nodes/8/skin", "/nodes/9/skin", "/nodes/10/mesh"],
    ),
    // §5.28: joints is required, with at least one.
    ("magnum-tests/tiny-importer/skin-invalid-no-joints.gltf", Kind::Invalid, &["/skins/0/joints"]),
    // The same for skin 0; §3.3: joint 2 of two nodes, accessor 4 of four; §3.6.2.4: accessor 3 reaches past its view.
    (
        "magnum-tests/tiny-importer/skin-invalid.gltf",
        Kind::Invalid,
        &["/skins/0/joints", "/skins/1/joints/2", "/skins/2/inverseBindMatrices", "/accessors/3"],
    ),
];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Malformed,
    Invalid,
}

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let models = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/models");
    if !models.is_dir() {
        let absent = || Err(Failed::from("the folder ../shared/data/models is absent"));
        // Ignored with the reason at a desk; under CI an absent folder is a failure.
        let ci = std::env::var_os("CI").is_some();
        let trial = Trial::test("models (needs ../shared/data/models)", absent).with_ignored_flag(!ci);
        return libtest_mimic::run(&arguments, vec![trial]).exit_code();
    }
    let mut files = Vec::new();
    walk(&models, &mut files);
    files.sort();
    let trials = files
        .into_iter()
        .map(|path| {
            let name = path.strip_prefix(&models).unwrap_or(&path).to_string_lossy().into_owned();
            Trial::test(name.clone(), move || check(&path, &name))
        })
        .collect();
    libtest_mimic::run(&arguments, trials).exit_code()
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        eprintln!("{} cannot be listed", folder.display());
        return;
    };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() {
            walk(&path, files);
        } else if path.extension().is_some_and(|e| e == "glb" || e == "gltf") {
            files.push(path);
        }
    }
}

fn check(path: &Path, name: &str) -> Result<(), Failed> {
    let bytes = std::fs::read(path)?;
    let mut beside = Vec::new();
    for entry in std::fs::read_dir(path.parent().unwrap_or(path))?.flatten() {
        if entry.path().extension().is_some_and(|e| e == "bin") {
            beside.push((entry.file_name().to_string_lossy().into_owned(), std::fs::read(entry.path())?));
        }
    }
    let files = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    let bundle = Bundle { model: Some(Upload { name, bytes: &bytes }), files, plan: None };
    let expected = BROKEN.iter().find(|(file, ..)| *file == name);
    match (read(&bundle, &Limits::default()), expected) {
        (Err(fault), Some((_, kind, places))) => {
            let found = match fault.kind {
                FaultKind::Malformed => Kind::Malformed,
                FaultKind::Invalid => Kind::Invalid,
                other => return Err(format!("{other:?}").into()),
            };
            let at = match &fault.place {
                Place::Pointer(pointer) => pointer.clone(),
                Place::Byte(offset) => offset.to_string(),
                Place::Whole => String::new(),
            };
            if found == *kind && places.contains(&at.as_str()) {
                Ok(())
            } else {
                Err(format!("another fault: {fault}").into())
            }
        }
        (Err(fault), None) => Err(format!("is refused: {fault}").into()),
        (Ok(_), Some(_)) => Err("is read, though it is broken".into()),
        (Ok(intake), None) => {
            let profile = Profile::realtime();
            let as_of = "2026-11-25".parse().map_err(|_| "the date")?;
            let report =
                run(&intake, &Request::all(&profile, as_of), &Unobserved).map_err(|e| format!("{e:?}"))?;
            let failed: Vec<_> = report.not_run.iter().filter(|n| n.status == NotRunStatus::Failed).collect();
            if failed.is_empty() { Ok(()) } else { Err(format!("checks failed: {failed:?}").into()) }
        }
    }
}
