//! Trial binds of real, openly licensed models that nobody here made (`../shared/data/models`).
#![expect(clippy::print_stderr, reason = "a test harness of its own")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use condyle_core::bind::own_skeleton;
use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::facts::Facts;
use condyle_core::finding::Fix;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::model::{JointId, Rig};
use condyle_core::repair::{Bound, bind_model};
use condyle_core::report::Finding;
use glam::DVec3;
use libtest_mimic::{Arguments, Failed, Trial};
use serde_json::{Value, json};

/// Characters whose skin stands at rest where it was bound (`rest_equal` of the folder's index).
const MODELS: &[&str] =
    &["khronos-samples/Fox.glb", "khronos-samples/RiggedFigure.glb", "godot-demos/player.glb"];

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data/models");
    if !folder.is_dir() {
        let absent = || Err(Failed::from("the folder ../shared/data/models is absent"));
        // Ignored with the reason at a desk; under CI an absent folder is a failure.
        let ci = std::env::var_os("CI").is_some();
        let trial = Trial::test("models (needs ../shared/data/models)", absent).with_ignored_flag(!ci);
        return libtest_mimic::run(&arguments, vec![trial]).exit_code();
    }
    let mut trials = Vec::new();
    for name in MODELS {
        let path = folder.join(name);
        let there = path.clone();
        trials.push(Trial::test(format!("{name} off its skin"), move || off_its_skin(&there)));
    }
    let paths: Vec<PathBuf> = MODELS.iter().map(|name| folder.join(name)).collect();
    trials.push(Trial::test("braces keep their promise", move || braces(&paths)));
    libtest_mimic::run(&arguments, trials).exit_code()
}

/// The JSON and the binary chunk of a GLB (glTF 2.0 §4.4).
fn split(glb: &[u8]) -> (Value, &[u8]) {
    let length = u32::from_le_bytes(glb[12..16].try_into().unwrap()) as usize;
    (serde_json::from_slice(&glb[20..20 + length]).unwrap(), &glb[20 + length + 8..])
}

fn join(json: &Value, binary: &[u8]) -> Vec<u8> {
    let mut text = json.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut out = b"glTF\x02\0\0\0".to_vec();
    out.extend((12 + 8 + text.len() as u32 + 8 + binary.len() as u32).to_le_bytes());
    out.extend((text.len() as u32).to_le_bytes());
    out.extend(b"JSON");
    out.extend(&text);
    out.extend((binary.len() as u32).to_le_bytes());
    out.extend(b"BIN\0");
    out.extend(binary);
    out
}

/// The mesh without its weights, by itself in the scene; the skeleton as it was, with the skin that names it.
fn unskinned(glb: &[u8]) -> Vec<u8> {
    let (mut json, binary) = split(glb);
    let worlds = rig(glb).nodes.iter().map(|node| node.world).collect::<Vec<_>>();
    let facts_rig = rig(glb);
    let facts = Facts::new(&facts_rig);
    for (index, node) in json["nodes"].as_array_mut().unwrap().iter_mut().enumerate() {
        let node = node.as_object_mut().unwrap();
        if let Some(skin) = node.remove("skin") {
            // A skinned mesh stands where its skin puts it, whatever its node says (glTF 2.0 §3.7.3.3).
            let wanted = facts.bind().skins[skin.as_u64().unwrap() as usize].mesh_to_world;
            let parent = facts_rig.nodes[index].parent.map_or(glam::DMat4::IDENTITY, |up| worlds[up.index()]);
            for key in ["translation", "rotation", "scale"] {
                node.remove(key);
            }
            node.insert("matrix".into(), json!((parent.inverse() * wanted).to_cols_array()));
        }
    }
    for mesh in json["meshes"].as_array_mut().unwrap() {
        for primitive in mesh["primitives"].as_array_mut().unwrap() {
            let attributes = primitive["attributes"].as_object_mut().unwrap();
            attributes.retain(|name, _| !name.starts_with("JOINTS") && !name.starts_with("WEIGHTS"));
        }
    }
    // Clips go, so that what is drawn is the rest pose.
    json.as_object_mut().unwrap().remove("animations");
    join(&json, binary)
}

fn rig(bytes: &[u8]) -> Rig {
    read(&model(bytes), &Limits::default()).unwrap().rig
}

fn model(bytes: &[u8]) -> Bundle<'_> {
    Bundle { model: Some(Upload { name: "it.glb", bytes }), ..Bundle::default() }
}

/// Bound with its own skeleton, it stands at rest as it stood before, and has no error of skin or bind pose.
fn off_its_skin(path: &Path) -> Result<(), Failed> {
    let bytes = unskinned(&std::fs::read(path)?);
    let bundle = model(&bytes);
    let limits = Limits::default();
    let own = own_skeleton(read(&bundle, &limits).unwrap(), &limits).unwrap();
    let facts = Facts::new(&own.intake.rig);
    let bind = facts.trial_bind().unwrap();
    assert!(bind.joints.len() > 10 && bind.graph.points.len() > 100);
    assert!(bind.owned().iter().filter(|area| **area > 0.0).count() > 10);
    let how = Bound { nodes: Some(&own.nodes), ..Bound::default() };
    let after = bind_model(&bundle, &read(&bundle, &limits).unwrap(), &facts, how, &limits).unwrap();
    let (before, rig_after) = (rig(&bytes), rig(&after));
    assert_eq!(before.nodes.len(), rig_after.nodes.len(), "the joints were there");
    let s = facts.s();
    let mut compared = 0;
    for (index, node) in rig_after.nodes.iter().enumerate() {
        let Some(mesh) = node.mesh else { continue };
        let skin = &rig_after.skins[node.skin.expect("every mesh is bound").index()];
        let inverse = skin.inverse_bind.as_ref().unwrap();
        for primitive in &rig_after.meshes[mesh.index()].primitives {
            for (vertex, place) in primitive.positions.iter().enumerate() {
                let place = DVec3::from(place.map(f64::from));
                let mut skinned = DVec3::ZERO;
                for set in &primitive.influences {
                    for (joint, weight) in set.joints[vertex].into_iter().zip(set.weights[vertex]) {
                        let world = rig_after.joints[skin.joints[usize::from(joint)].index()].rest;
                        skinned +=
                            (world * inverse[usize::from(joint)]).transform_point3(place) * f64::from(weight);
                    }
                }
                let was = before.nodes[index].world.transform_point3(place);
                assert!(skinned.distance(was) < 1e-5 * s, "{skinned} was {was}");
                compared += 1;
            }
        }
    }
    assert!(compared > 100);
    let profile = Profile::realtime();
    let request = Request {
        only: vec!["skin".into(), "bind".into()],
        ..Request::all(&profile, "2026-11-25".parse().unwrap())
    };
    let report = run(&read(&model(&after), &limits).unwrap(), &request, &Unobserved).unwrap();
    assert_eq!(report.counts.error, 0, "{:#?}", report.findings);
    Ok(())
}

fn over_reach(plan: &Value, glb: &[u8]) -> Vec<Finding> {
    let text = plan.to_string();
    let plan = Some(Upload { name: "plan.json", bytes: text.as_bytes() });
    let intake = read(&Bundle { plan, ..model(glb) }, &Limits::default()).unwrap();
    let profile = Profile::realtime();
    let request = Request {
        only: vec!["forecast/over-reach".into()],
        ..Request::all(&profile, "2026-11-25".parse().unwrap())
    };
    run(&intake, &request, &Unobserved).unwrap().findings
}

fn measured(finding: &Finding, quantity: &str) -> f64 {
    finding.evidence.iter().find(|one| one.quantity == quantity).unwrap().measured.unwrap()
}

/// Inner joints stop deforming, one at a time; where a joint is then found to reach too far, the brace is added by the
/// finding's own patch, and what is found of both afterwards is what was promised.
fn braces(paths: &[PathBuf]) -> Result<(), Failed> {
    let mut kept = 0;
    for path in paths {
        let glb = std::fs::read(path)?;
        let own = own_skeleton(read(&model(&glb), &Limits::default()).unwrap(), &Limits::default()).unwrap();
        let sound = own.intake.plan.clone().unwrap();
        let facts = Facts::new(&own.intake.rig);
        let bind = facts.trial_bind().unwrap();
        let owned = bind.owned();
        let inner = (0..bind.joints.len()).filter(|slot| {
            let joint: JointId = bind.joints[*slot];
            owned[*slot] > 0.03 * bind.graph.area && !facts.tree().children[joint.index()].is_empty()
        });
        for slot in inner.take(8) {
            let mut plan = sound.clone();
            plan["joints"][bind.joints[slot].index()]["role"] = json!("control");
            for finding in over_reach(&plan, &glb) {
                let Some(Fix::Patch { patch, .. }) = &finding.fix else { continue };
                let promised = measured(&finding, "share of the body left with a brace");
                let before = measured(&finding, "share of the body");
                assert!(promised < before);
                let patch: json_patch::Patch = serde_json::from_value(json!(patch)).unwrap();
                let mut mended = plan.clone();
                json_patch::patch(&mut mended, &patch).unwrap();
                let brace = mended["joints"].as_array().unwrap().last().unwrap()["name"].clone();
                let names = [finding.subject.name.clone(), brace.as_str().unwrap().to_owned()];
                let left: f64 = over_reach(&mended, &glb)
                    .iter()
                    .filter(|it| names.contains(&it.subject.name) && it.severity.word() == "warning")
                    .map(|it| measured(it, "share of the body"))
                    .sum();
                assert!(left <= promised + 1e-6, "{}: {left} of {promised}, {before} before", path.display());
                kept += 1;
            }
        }
    }
    eprintln!("{kept} braces keep their promise");
    assert!(kept >= 3, "{kept}");
    Ok(())
}
