//! The demo characters: repaired in every storage, and re-framed without a vertex leaving its way.

use std::collections::BTreeSet;

use condyle_core::demo::{NAMES, Variant, character, faulty, variants};
use condyle_core::export::{Storage, WeightType, write_glb};
use condyle_core::repair::{Form, Outcome, Resolution, Which};
use condyle_core::report::Severity;
use glam::{DQuat, DVec3};
use libtest_mimic::{Failed, Trial};
use serde_json::{Value, json};

use crate::scene::{File, changed, open};
use crate::{alone, among, done, one, repaired, schema};

const VERTICES: usize = 3_000;

pub(crate) fn trials() -> Vec<Trial> {
    let mut out = Vec::new();
    for name in NAMES {
        for (form, storage) in storages() {
            out.push(Trial::test(format!("demo: faults of {name}, {form}"), move || faults(name, storage)));
        }
        out.push(Trial::test(format!("demo: plan of {name}"), move || plan(name)));
        out.push(Trial::test(format!("demo: frames of {name}"), move || frames(name)));
        out.push(Trial::test(format!("demo: whole of {name}"), move || whole(name)));
        out.push(Trial::test(format!("demo: sound {name} keeps every byte"), move || sound(name)));
    }
    out.push(
        Trial::test("demo: the schemas of the standard", || {
            // Without the schemas the trials above say nothing about validity.
            if schema::gltf().is_some() { Ok(()) } else { Err("the folder ../shared is absent".into()) }
        })
        .with_ignored_flag(schema::gltf().is_none() && std::env::var_os("CI").is_none()),
    );
    out
}

fn storages() -> Vec<(&'static str, Storage)> {
    let float = Storage::default();
    vec![
        ("float", float),
        ("unorm8", Storage { weights: WeightType::Unorm8, ..float }),
        ("quantised", Storage { quantise: true, weights: WeightType::Unorm16, ..float }),
        ("meshopt", Storage { meshopt: true, ..float }),
        (
            "quantised meshopt",
            Storage { quantise: true, meshopt: true, weights: WeightType::Unorm8, ..float },
        ),
    ]
}

pub(crate) fn valid(file: &File) -> Result<(), Failed> {
    let Some(validator) = schema::gltf() else { return Ok(()) };
    let faults = schema::faults(&validator, &file.json);
    if faults.is_empty() { Ok(()) } else { Err(format!("{faults:#?}").into()) }
}

fn faults(name: &str, storage: Storage) -> Result<(), Failed> {
    let (it, _) = faulty(name, VERTICES).unwrap();
    let before = write_glb(&it.scene, &storage);
    for which in [Which::Safe, Which::Review] {
        let out = repaired(&alone(&before), &which).map_err(|e| format!("{e:?}"))?;
        let listing = &out.listing;
        assert_eq!(out.form, Form::Glb);
        assert!(listing.left.is_empty() && listing.opened.is_empty(), "{listing:#?}");
        assert!(listing.conflicts.iter().all(|c| c.resolution != Resolution::LeftOut), "{listing:#?}");
        assert!(which == Which::Safe || !listing.changes.is_empty());
        let after = repaired(&alone(&out.bytes), &which).map_err(|e| format!("{e:?}"))?;
        assert!(after.bytes == out.bytes && after.listing.changes.is_empty(), "{:#?}", after.listing);
        if which == Which::Review {
            assert!(listing.review.is_empty());
            assert_eq!((listing.after.error, listing.after.warning), (0, 0), "{listing:#?}");
        }
        let (old, new) = (open(&before), open(&out.bytes));
        valid(&new)?;
        untouched(&old, &new, listing.changes.iter().map(|c| c.fixed.check.as_str()).collect());
        if !storage.meshopt && !storage.quantise {
            gltf::Gltf::from_slice(&out.bytes).map_err(|e| e.to_string())?;
        } else {
            gltf::Gltf::from_slice_without_validation(&out.bytes).map_err(|e| e.to_string())?;
        }
    }
    Ok(())
}

/// Only what the fixes are about has changed: member by member in the JSON, accessor by accessor in the buffer.
fn untouched(old: &File, new: &File, checks: BTreeSet<&str>) {
    let mut allowed =
        vec!["/accessors/*/bufferView", "/accessors/*/byteOffset", "/bufferViews/*", "/buffers/0/byteLength"];
    if checks.iter().any(|check| check.starts_with("naming/") || check.starts_with("structure/")) {
        allowed.push("/nodes/*/name");
    }
    if checks.iter().any(|check| check.starts_with("orientation/") || *check == "bind/posed-rest") {
        allowed.extend(["/nodes/*/rotation/*", "/nodes/*/translation/*", "/nodes/*/rotation"]);
    }
    let pointers = changed(&old.text, &new.text);
    assert!(pointers.iter().all(|pointer| among(pointer, &allowed)), "{checks:?}: {pointers:#?}");
    let mut ours = BTreeSet::new();
    for primitive in old.list("meshes").iter().flat_map(|mesh| mesh["primitives"].as_array().unwrap()) {
        for (name, accessor) in primitive["attributes"].as_object().unwrap() {
            if name.starts_with("JOINTS_") || name.starts_with("WEIGHTS_") {
                ours.insert(accessor.as_u64().unwrap() as usize);
            }
        }
    }
    ours.extend(
        old.list("skins").iter().filter_map(|s| s["inverseBindMatrices"].as_u64()).map(|a| a as usize),
    );
    // A clip follows the frames of what it drives.
    if checks.iter().any(|check| check.starts_with("orientation/") || check.starts_with("placement/")) {
        let samplers =
            old.list("animations").iter().flat_map(|clip| clip["samplers"].as_array().unwrap().clone());
        ours.extend(samplers.filter_map(|sampler| sampler["output"].as_u64()).map(|a| a as usize));
    }
    for accessor in 0..old.list("accessors").len() {
        if !ours.contains(&accessor) && old.place(accessor).is_some() {
            assert_eq!(old.raw(accessor), new.raw(accessor), "accessor {accessor}");
        }
    }
    // Bytes that belong to no such accessor are the same, compressed ones included.
    let mut mine = vec![false; old.bin.len()];
    for accessor in ours {
        if let Some((start, stride, size, count)) = old.place(accessor) {
            for at in 0..count {
                mine[start + at * stride..start + at * stride + size].fill(true);
            }
        }
    }
    for (at, byte) in old.bin.iter().enumerate() {
        assert!(mine[at] || new.bin[at] == *byte, "byte {at}");
    }
}

fn plan(name: &str) -> Result<(), Failed> {
    let (it, _) = faulty(name, VERTICES).unwrap();
    let before = serde_json::to_string_pretty(&it.plan)?;
    let out = repaired(&alone(before.as_bytes()), &Which::Review).map_err(|e| format!("{e:?}"))?;
    let listing = &out.listing;
    assert_eq!(out.form, Form::Plan);
    assert!(
        listing.left.is_empty() && listing.opened.is_empty() && !listing.changes.is_empty(),
        "{listing:#?}"
    );
    let after = String::from_utf8(out.bytes.clone())?;
    let pointers = changed(&before, &after);
    let allowed = [
        "/joints/*/name",
        "/joints/*/parent",
        "/joints/*/role",
        "/joints/*/orientation/*",
        "/joints/*/origin/*",
        "/joints/*/tip/*",
        "/parts/*/joints/*",
        "/groups/*/joints/*",
        "/pieces/*/carried_by",
        "/roots/*",
    ];
    assert!(pointers.iter().all(|pointer| among(pointer, &allowed)), "{pointers:#?}");
    // Line for line, so that the difference a person reviews is the repair and nothing else.
    let differing = before.lines().zip(after.lines()).filter(|(a, b)| a != b).count();
    assert!(before.lines().count() == after.lines().count() && differing <= pointers.len());
    let again = repaired(&alone(&out.bytes), &Which::Review).map_err(|e| format!("{e:?}"))?;
    assert!(again.bytes == out.bytes, "{:#?}", again.listing);
    Ok(())
}

/// The forms that are one file.
fn alone_variants(name: &str) -> impl Iterator<Item = Variant> {
    variants(name, VERTICES).into_iter().filter(|variant| variant.beside.is_none())
}

fn sound(name: &str) -> Result<(), Failed> {
    for Variant { form, document: bytes, .. } in alone_variants(name) {
        let out = repaired(&alone(&bytes), &Which::Safe).map_err(|e| format!("{e:?}"))?;
        assert!(out.bytes == bytes || !out.listing.changes.is_empty(), "{form}");
        let errors = |c: &condyle_core::report::Counts| (c.error, c.warning);
        assert_eq!(errors(&out.listing.before), (0, 0), "{form}");
        assert!(out.listing.changes.iter().all(|c| c.fixed.severity == Severity::Note), "{form}");
    }
    Ok(())
}

/// Skinned vertices at rest and all through the clips are where they were, to 1e-5 of the size.
pub(crate) fn same_motion(what: &str, before: &[u8], after: &[u8]) {
    let (old, new) = (open(before), open(after));
    let rest = old.skinned(None);
    let size = extent(&rest);
    let mut worst = apart(&rest, &new.skinned(None));
    let middle = old.length(0) * 0.3;
    assert!(apart(&rest, &old.skinned(Some((0, middle)))) > 1e-3 * size, "{what}: the clip moves the skin");
    for clip in 0..old.list("animations").len() {
        let length = old.length(clip);
        for step in 0..=23 {
            let time = Some((clip, length * f64::from(step) / 23.0));
            worst = worst.max(apart(&old.skinned(time), &new.skinned(time)));
        }
    }
    assert!(worst <= 1e-5 * size, "{what}: {} of S", worst / size);
}

fn apart(a: &[DVec3], b: &[DVec3]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter().zip(b).map(|(a, b)| a.distance(*b)).fold(0.0, f64::max)
}

fn extent(points: &[DVec3]) -> f64 {
    let low = points.iter().copied().fold(DVec3::INFINITY, DVec3::min);
    let high = points.iter().copied().fold(DVec3::NEG_INFINITY, DVec3::max);
    (high - low).max_element()
}

/// Joints to be re-framed: some that a clip turns, with a parent and a child, and nothing drawn at them.
fn chosen(file: &File) -> Vec<usize> {
    let joints: BTreeSet<u64> = file
        .list("skins")
        .iter()
        .flat_map(|s| s["joints"].as_array().unwrap())
        .map(|j| j.as_u64().unwrap())
        .collect();
    let driven: BTreeSet<u64> = file
        .list("animations")
        .iter()
        .flat_map(|clip| clip["channels"].as_array().unwrap())
        .map(|channel| channel["target"]["node"].as_u64().unwrap())
        .collect();
    let nodes = file.list("nodes");
    let fit = |node: &u64| {
        let it = &nodes[*node as usize];
        it["mesh"].is_null() && it["children"].as_array().is_some_and(|c| !c.is_empty())
    };
    let mut moving: Vec<u64> = driven.iter().copied().filter(|n| joints.contains(n) && fit(n)).collect();
    moving.extend(joints.iter().copied().filter(|n| !driven.contains(n) && fit(n)).take(2));
    assert!(moving.len() >= 2, "the character has joints to move");
    moving.into_iter().take(5).map(|n| n as usize).collect()
}

fn frames(name: &str) -> Result<(), Failed> {
    for Variant { form, document: before, .. } in alone_variants(name) {
        if form.contains("meshopt") || form.contains("sparse") || !before.starts_with(b"glTF") {
            continue;
        }
        let file = open(&before);
        let nodes = chosen(&file);
        let worlds = file.worlds(None);
        let size = extent(&file.skinned(None));
        let turns: Vec<Value> = nodes
            .iter()
            .enumerate()
            .map(|(at, node)| json!({"node": node, "degrees": 23.0 + 40.0 * at as f64}))
            .collect();
        let twisted = done(&before, "twist", json!({"nodes": turns, "axis": [0, 1, 0]}));
        same_motion(&format!("{form} twist"), &before, &twisted);
        let new = open(&twisted).worlds(None);
        for (at, node) in nodes.iter().enumerate() {
            let turn = DQuat::from_axis_angle(DVec3::Y, (23.0 + 40.0 * at as f64).to_radians());
            let expected = worlds[*node] * glam::DMat4::from_quat(turn);
            assert!(new[*node].abs_diff_eq(expected, 1e-6), "{form}: the twisted frame");
        }
        let others = (0..worlds.len()).filter(|node| !nodes.contains(node));
        for node in others {
            assert!(new[node].abs_diff_eq(worlds[node], 1e-6), "{form}: node {node} has moved");
        }
        valid(&open(&twisted))?;
        let wanted = DQuat::from_euler(glam::EulerRot::XYZ, 0.7, -0.4, 1.1);
        let orientations: Vec<Value> =
            nodes.iter().map(|node| json!({"node": node, "bind_orientation": wanted.to_array()})).collect();
        let oriented = done(&before, "orient", json!({"nodes": orientations}));
        same_motion(&format!("{form} orient"), &before, &oriented);
        assert_eq!(one(&oriented, "orient", json!({"nodes": orientations})).1, Outcome::Unchanged, "{form}");
        let shift = size * DVec3::new(0.021, -0.013, 0.017);
        let moves: Vec<Value> = nodes
            .iter()
            .map(|node| json!({"node": node, "to": (worlds[*node].w_axis.truncate() + shift).to_array()}))
            .collect();
        let moved = done(&before, "move-origin", json!({"nodes": moves}));
        same_motion(&format!("{form} move-origin"), &before, &moved);
        let new = open(&moved).worlds(None);
        for (node, world) in worlds.iter().enumerate() {
            let by = if nodes.contains(&node) { shift } else { DVec3::ZERO };
            let found = new[node].w_axis.truncate();
            assert!(found.distance(world.w_axis.truncate() + by) < 1e-6 * size, "{form}: node {node}");
        }
        valid(&open(&moved))?;
        // The second half of the joints onto the mirror image of the first, over the plane x = 0.02.
        let pair = json!([{"from": nodes[0], "to": nodes[1]}]);
        let mirrored =
            done(&before, "mirror-origin", json!({"pairs": pair, "normal": [1, 0, 0], "offset": 0.02}));
        same_motion(&format!("{form} mirror-origin"), &before, &mirrored);
        let image =
            worlds[nodes[0]].w_axis.truncate() * DVec3::new(-1.0, 1.0, 1.0) + DVec3::new(0.04, 0.0, 0.0);
        let found = open(&mirrored).worlds(None)[nodes[1]].w_axis.truncate();
        assert!(found.distance(image) < 1e-6 * size, "{form}: {found} is not {image}");
    }
    Ok(())
}

fn whole(name: &str) -> Result<(), Failed> {
    let it = character(name, VERTICES).unwrap();
    let before = write_glb(&it.scene, &Storage::default());
    let file = open(&before);
    let points = file.skinned(None);
    let size = extent(&points);
    let scaled = done(&before, "scale-asset", json!({"factor": 0.01}));
    let expected: Vec<DVec3> = points.iter().map(|p| *p * 0.01).collect();
    assert!(apart(&open(&scaled).skinned(None), &expected) < 1e-6 * size);
    valid(&open(&scaled))?;
    let turn = DQuat::from_rotation_y(2.1);
    let turned = done(&before, "turn-asset", json!({"rotation": turn.to_array()}));
    let length = file.length(0);
    let expected: Vec<DVec3> = file.skinned(Some((0, length * 0.37))).iter().map(|p| turn * *p).collect();
    assert!(apart(&open(&turned).skinned(Some((0, length * 0.37))), &expected) < 1e-5 * size);
    valid(&open(&turned))?;
    // A joint that is scaled by a quarter, with everything below it: baked, the skin and the clip stay.
    let mut scene = it.scene.clone();
    let node = chosen(&file)[0];
    scene.nodes[node].scale = [1.25; 3];
    let big = write_glb(&scene, &Storage::default());
    let (out, outcome) = one(&big, "bake-scale", json!({"nodes": [node]}));
    assert_eq!(outcome, Outcome::Applied);
    let baked = out.unwrap();
    same_motion("bake-scale", &big, &baked);
    assert_eq!(open(&baked).floats_of(node), [1.0; 3]);
    // A joint on the plane's one side gets a twin at its mirror image, without moving anything.
    let (out, outcome) = one(
        &before,
        "add-twin",
        json!({"node": node, "name": "new_r", "normal": [1, 0, 0], "offset": -0.5 * size}),
    );
    assert_eq!(outcome, Outcome::Applied);
    let twin = out.unwrap();
    same_motion("add-twin", &before, &twin);
    let (old, new) = (file.worlds(None), open(&twin));
    let image = old[node].w_axis.truncate() * DVec3::new(-1.0, 1.0, 1.0) - DVec3::X * size;
    assert!(new.worlds(None)[new.node("new_r")].w_axis.truncate().distance(image) < 1e-6 * size);
    valid(&new)?;
    // Binding anew in a changed rest pose, and going back to the bind pose.
    let mut scene = it.scene.clone();
    let bent = DQuat::from_array(scene.nodes[node].rotation) * DQuat::from_rotation_x(0.5);
    scene.nodes[node].rotation = bent.to_array();
    let posed = write_glb(&scene, &Storage::default());
    let restored = done(&posed, "restore-rest", json!({"skin": 0}));
    assert!(apart(&open(&restored).skinned(None), &points) < 1e-5 * size, "the bind pose");
    let bound = done(&posed, "recompute-bind-matrices", json!({"skin": 0}));
    assert!(apart(&open(&bound).skinned(None), &points) < 1e-5 * size, "the skin as it was modelled");
    assert_eq!(open(&bound).text, open(&posed).text);
    Ok(())
}

impl File {
    fn floats_of(&self, node: usize) -> [f64; 3] {
        let list = self.list("nodes")[node]["scale"].as_array();
        list.map_or([1.0; 3], |list| std::array::from_fn(|at| list[at].as_f64().unwrap()))
    }
}
