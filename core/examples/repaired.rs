//! Applies named repairs to the storage variants of the demo characters, and to models named on the command line, and
//! writes each file before and after, for a reader that is not ours (`tests/outside/repaired.py`).
#![expect(clippy::print_stdout, reason = "a tool for a terminal")]

use std::path::{Path, PathBuf};

use condyle_core::demo::{NAMES, variants};
use condyle_core::facts::Facts;
use condyle_core::finding::{Applicability, Fix};
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::model::{JointId, NodeId, Rig};
use condyle_core::repair::{Outcome, apply_fixes};
use glam::DVec3;
use serde_json::{Value, json};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let folder = arguments.next().unwrap_or_else(|| PathBuf::from("repaired"));
    std::fs::create_dir_all(&folder)?;
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    for name in NAMES {
        let alone = variants(name, 600).into_iter().filter(|variant| variant.beside.is_none());
        files.extend(alone.map(|variant| (format!("{name}-{}", variant.form), variant.document)));
    }
    for path in arguments {
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        files.push((name, std::fs::read(path)?));
    }
    let mut list = Vec::new();
    for (name, bytes) in files {
        list.extend(work(&folder, &name, &bytes)?);
    }
    std::fs::write(folder.join("repaired.json"), serde_json::to_string_pretty(&list)?)?;
    println!("{} repairs in {}", list.len(), folder.display());
    Ok(())
}

fn bundle(bytes: &[u8]) -> Bundle<'_> {
    Bundle { model: Some(Upload { name: "model", bytes }), ..Bundle::default() }
}

fn work(folder: &Path, name: &str, bytes: &[u8]) -> Result<Vec<Value>, Box<dyn std::error::Error>> {
    let limits = Limits::default();
    let intake = read(&bundle(bytes), &limits).map_err(|fault| fault.to_string())?;
    let end = if bytes.starts_with(b"glTF") { "glb" } else { "gltf" };
    let before = format!("{name}.{end}");
    std::fs::write(folder.join(&before), bytes)?;
    let mut out = Vec::new();
    for (number, (repair, expected, arguments)) in repairs(&intake.rig).into_iter().enumerate() {
        let fix = Fix::Repair {
            applicability: Applicability::Review,
            name: repair.to_owned(),
            arguments: arguments.clone(),
            summary: String::new(),
        };
        let (after, mut outcomes) =
            apply_fixes(&bundle(bytes), &limits, &[fix]).map_err(|error| format!("{error:?}"))?;
        let mut entry =
            json!({"before": before, "repair": repair, "expected": expected, "arguments": arguments});
        match (after, outcomes.pop()) {
            (Some(after), Some(Outcome::Applied)) => {
                let file = format!("{name}.{number}.{repair}.{end}");
                std::fs::write(folder.join(&file), after)?;
                entry["after"] = json!(file);
            }
            (_, outcome) => entry["outcome"] = json!(format!("{outcome:?}")),
        }
        out.push(entry);
    }
    Ok(out)
}

/// Repairs that change something in a sound model, with what the outside reader is to expect: the `motion` of every
/// vertex stays, is `scaled` or `turned`, stays at `rest` only, or the `weights` change as the repair says.
fn repairs(rig: &Rig) -> Vec<(&'static str, &'static str, Value)> {
    let facts = Facts::new(rig);
    let (s, tree) = (facts.s(), facts.tree());
    let node = |joint: JointId| rig.joints[joint.index()].node.map_or(0, |node| node.0);
    let plain = |joint: &JointId| {
        let above: Vec<JointId> = tree.ancestors(*joint).collect();
        let it = &rig.nodes[node(*joint) as usize];
        above.len() >= 2
            && !tree.children[joint.index()].is_empty()
            && it.mesh.is_none()
            && !it.camera_or_light
    };
    let inner: Vec<JointId> = (0..rig.joints.len()).map(JointId::new).filter(plain).collect();
    let (Some(first), Some(last)) = (inner.first().copied(), inner.last().copied()) else {
        return Vec::new();
    };
    let middle = inner[inner.len() / 2];
    let up = |joint: JointId, steps: usize| tree.ancestors(joint).nth(steps).map_or(0, node);
    let origin = facts.origin(middle) + s * DVec3::new(0.021, -0.013, 0.017);
    let below: Vec<JointId> = tree.ancestors(last).collect();
    let mut list = vec![
        ("rename", "motion", json!({"nodes": [{"node": node(first), "name": "another"}]})),
        ("twist", "motion", json!({"nodes": [{"node": node(middle), "degrees": 33.0}], "axis": [0, 1, 0]})),
        (
            "orient",
            "motion",
            json!({"nodes": [{"node": node(last), "bind_orientation": [0.5, 0.1, -0.3, 0.8]}]}),
        ),
        ("move-origin", "motion", json!({"nodes": [{"node": node(middle), "to": origin.to_array()}]})),
        ("reparent", "motion", json!({"nodes": [{"node": node(middle), "parent": up(middle, 1)}]})),
        ("reparent", "motion", json!({"nodes": [{"node": node(last), "parent": null}]})),
        ("scale-asset", "scaled", json!({"factor": 0.01})),
        ("turn-asset", "turned", json!({"rotation": [0.0, 0.6, 0.0, 0.8]})),
        ("remove-channels", "rest", json!({"clip": 0, "channels": [0]})),
        ("hand-over", "weights", json!({"from": node(middle), "to": up(middle, 0)})),
        ("trim-influences", "weights", json!({"mesh": 0, "primitive": 0, "most": 2})),
    ];
    if first != last && !below.contains(&first) {
        let pair = json!([{"from": node(first), "to": node(last)}]);
        list.push(("mirror-origin", "motion", json!({"pairs": pair, "normal": [1, 0, 0], "offset": 0.02})));
        list.push(("reparent", "motion", json!({"nodes": [{"node": node(first), "parent": node(last)}]})));
    }
    let normal = json!({"node": node(middle), "name": "new_r", "normal": [1, 0, 0], "offset": -0.5 * s});
    list.push(("add-twin", "motion", normal));
    let bare = |index: usize| {
        let it = &rig.nodes[index];
        it.skin.is_some() && it.children.is_empty() && it.joint.is_none()
    };
    if let Some(drawn) = (0..rig.nodes.len()).find(|index| bare(*index)) {
        list.push(("move-to-root", "motion", json!({"nodes": [NodeId::new(drawn).0]})));
    }
    list
}
