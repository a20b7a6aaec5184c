//! Nodes that come to hang elsewhere: places by hand, and the demo characters in every storage and clip.

use condyle_core::demo::{NAMES, character as demo_character, variants};
use condyle_core::export::{Scene, SceneChannel, SceneClip, ScenePath, Storage, write_glb};
use condyle_core::facts::Facts;
use condyle_core::intake::{Limits, read};
use condyle_core::model::{Interpolation, Parent};
use condyle_core::parenting::{Ask, suggest};
use condyle_core::repair::{Outcome, apply_fixes};
use glam::{DMat4, DQuat, DVec3};
use libtest_mimic::{Failed, Trial};
use serde_json::{Value, json};

use crate::cases::{strip, with};
use crate::demo::{same_motion, valid};
use crate::scene::{File, changed, open};
use crate::{alone, among, done, one};

pub(crate) fn trials() -> Vec<Trial> {
    let cases: [(&str, fn()); 4] = [
        ("a joint hangs from another", by_hand),
        ("a clip goes on as it was", clips),
        ("what cannot be is refused", refused),
        ("skinned meshes to the root", to_root),
    ];
    let mut out: Vec<Trial> = cases
        .into_iter()
        .map(|(name, test)| {
            Trial::test(format!("tree: {name}"), move || {
                test();
                Ok(())
            })
        })
        .collect();
    for name in NAMES {
        out.push(Trial::test(format!("tree: {name} hung otherwise"), move || character(name)));
        out.push(Trial::test(format!("tree: {name} as suggested"), move || suggested(name)));
    }
    out
}

/// cos 45°.
const HALF: f64 = std::f64::consts::FRAC_1_SQRT_2;
const QUARTER: [f64; 4] = [0.0, 0.0, HALF, HALF];

/// Hips and chest turned by 90° about z: the chest is at (0, 1, 0), the head at (0, 1, 0) + 180° · (1, 0, 0).
fn turned() -> Scene {
    let mut scene = strip(with(3, &[(2, 0.5), (1, 0.5)]));
    scene.nodes[0].rotation = QUARTER;
    scene.nodes[1].rotation = QUARTER;
    scene
}

fn place(file: &File, node: usize) -> DMat4 {
    file.worlds(None)[node]
}

fn near(a: &Value, b: &[f64]) {
    let a: Vec<f64> = a.as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect();
    assert!(a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-7), "{a:?} is not {b:?}");
}

fn by_hand() {
    let before = write_glb(&turned(), &Storage::default());
    assert!(place(&open(&before), 2).w_axis.truncate().abs_diff_eq(DVec3::new(-1.0, 1.0, 0.0), 1e-9));
    let after = done(&before, "reparent", json!({"nodes": [{"node": 2, "parent": 0}]}));
    let file = open(&after);
    // −90° · (−1, 1, 0) = (1, 1, 0), and the chest's own 90° is the head's now.
    near(&file.json["nodes"][2]["translation"], &[1.0, 1.0, 0.0]);
    near(&file.json["nodes"][2]["rotation"], &QUARTER);
    assert_eq!(file.json["nodes"][0]["children"], json!([1, 2]));
    assert!(file.json["nodes"][1].get("children").is_none(), "an empty list is no valid one");
    let pointers = changed(&open(&before).text, &file.text);
    let allowed = [
        "/nodes/2/translation/*",
        "/nodes/2/translation",
        "/nodes/2/rotation",
        "/nodes/2/rotation/*",
        "/nodes/0/children/*",
        "/nodes/1/children",
    ];
    assert!(pointers.iter().all(|pointer| among(pointer, &allowed)), "{pointers:?}");
    assert_eq!(open(&before).bin, file.bin, "no buffer changes");
    assert_eq!(
        one(&after, "reparent", json!({"nodes": [{"node": 2, "parent": 0}]})),
        (None, Outcome::Unchanged)
    );
    // To the scene: where it is, turned by both quarters.
    let root = open(&done(&before, "reparent", json!({"nodes": [{"node": 2, "parent": null}]})));
    near(&root.json["nodes"][2]["translation"], &[-1.0, 1.0, 0.0]);
    let turn: Vec<f64> =
        root.json["nodes"][2]["rotation"].as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect();
    assert!((turn[2].abs() - 1.0).abs() < 1e-9, "{turn:?}");
    assert!(root.json["scenes"][0]["nodes"].as_array().unwrap().contains(&json!(2)));
    // The order of two turned round, in one fix: the head carries the chest.
    let swapped = json!({"nodes": [{"node": 1, "parent": 2}, {"node": 2, "parent": 0}]});
    let swapped = open(&done(&before, "reparent", swapped));
    for node in 0..3 {
        assert!(place(&swapped, node).abs_diff_eq(place(&open(&before), node), 1e-7), "node {node}");
    }
    assert_eq!(swapped.json["nodes"][2]["children"], json!([1]));
}

fn channel(
    node: usize,
    path: ScenePath,
    interpolation: Interpolation,
    times: &[f32],
    values: &[f32],
) -> SceneChannel {
    SceneChannel { node, path, interpolation, times: times.to_vec(), values: values.to_vec() }
}

fn clips() {
    let half = HALF as f32;
    let turns = [0.0, 0.0, 0.0, 1.0, 0.0, 0.0, half, half];
    let kinds = [
        // The chest turns, the head has no keys: it is carried round the chest.
        vec![channel(1, ScenePath::Rotation, Interpolation::Linear, &[0.0, 1.0], &turns)],
        vec![channel(1, ScenePath::Rotation, Interpolation::Step, &[0.0, 1.0], &turns)],
        // Only the head moves: its keys are the same motion told from elsewhere.
        vec![
            channel(2, ScenePath::Rotation, Interpolation::Linear, &[0.0, 1.0], &turns),
            channel(
                2,
                ScenePath::Translation,
                Interpolation::Linear,
                &[0.5, 1.0],
                &[1.0, 0.0, 0.0, 1.0, 2.0, 3.0],
            ),
        ],
        // A pose held all through, which is not the rest pose.
        vec![channel(1, ScenePath::Rotation, Interpolation::Linear, &[0.25], &[half, 0.0, 0.0, half])],
        // Everything moves, at its own times, and the chest swells.
        vec![
            channel(0, ScenePath::Rotation, Interpolation::Linear, &[0.0, 0.7], &turns),
            channel(
                1,
                ScenePath::Rotation,
                Interpolation::CubicSpline,
                &[0.1, 1.0],
                &[
                    0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.3, 0.0, 0.0, 0.2, 0.0, 0.0, 0.0, 0.0,
                    half, half, 0.0, 0.0, 0.0, 0.0,
                ],
            ),
            channel(1, ScenePath::Scale, Interpolation::Linear, &[0.0, 1.0], &[1.0, 1.0, 1.0, 1.5, 1.5, 1.5]),
            channel(
                2,
                ScenePath::Rotation,
                Interpolation::Linear,
                &[0.0, 0.4, 1.0],
                &[0.0, 0.0, 0.0, 1.0, half, 0.0, 0.0, half, 0.0, 0.0, 0.0, 1.0],
            ),
        ],
    ];
    let counts = [2, 2, 2, 2, 3];
    for (at, (channels, expected)) in kinds.into_iter().zip(counts).enumerate() {
        let mut scene = turned();
        scene.clips = vec![SceneClip { name: "nod".into(), channels }];
        let before = write_glb(&scene, &Storage::default());
        let after = done(&before, "reparent", json!({"nodes": [{"node": 2, "parent": 0}]}));
        same_motion(&format!("clip {at}"), &before, &after);
        let file = open(&after);
        let (old, new) = (open(&before), &file);
        for time in [0.0, 0.2, 0.55, 0.9, 1.0] {
            let (a, b) = (old.worlds(Some((0, time)))[2], new.worlds(Some((0, time)))[2]);
            assert!(a.abs_diff_eq(b, 2e-5), "clip {at} at {time}: {a} is not {b}");
        }
        let of_head = file.json["animations"][0]["channels"].as_array().unwrap().iter();
        assert_eq!(of_head.filter(|channel| channel["target"]["node"] == 2).count(), expected, "clip {at}");
        valid(&file).unwrap();
    }
}

fn refused() {
    let before = write_glb(&turned(), &Storage::default());
    for arguments in [
        json!({"nodes": [{"node": 0, "parent": 2}]}),
        json!({"nodes": [{"node": 1, "parent": 1}]}),
        json!({"nodes": [{"node": 1, "parent": 2}]}),
        json!({"nodes": [{"node": 1}]}),
        json!({"nodes": [{"node": 1, "parent": 99}]}),
    ] {
        assert!(matches!(one(&before, "reparent", arguments.clone()).1, Outcome::Refused(_)), "{arguments}");
    }
    // Under a parent that is larger one way than the other, a turned node would be sheared.
    let mut scene = turned();
    scene.nodes[0].rotation = [0.0, 0.0, 0.0, 1.0];
    scene.nodes[1].rotation = [0.0, 0.0, 0.0, 1.0];
    scene.nodes[1].scale = [1.0, 3.0, 1.0];
    scene.nodes[2].rotation = DQuat::from_rotation_z(0.5).to_array();
    let (out, outcome) = one(
        &write_glb(&scene, &Storage::default()),
        "reparent",
        json!({"nodes": [{"node": 2, "parent": 0}]}),
    );
    assert!(
        out.is_none() && matches!(&outcome, Outcome::Refused(why) if why.contains("sheared")),
        "{outcome:?}"
    );
}

fn to_root() {
    let mut scene = strip(with(3, &[(2, 0.5), (1, 0.5)]));
    let body = scene.nodes.len() - 1;
    let mut second = scene.nodes[body].clone();
    second.name = Some("lining".into());
    scene.nodes.push(second);
    scene.nodes[body].parent = Some(1);
    scene.nodes[body + 1].parent = Some(1);
    let before = write_glb(&scene, &Storage::default());
    let after = done(&before, "move-to-root", json!({"nodes": [body, body + 1]}));
    let (old, new) = (open(&before), open(&after));
    assert_eq!(new.json["nodes"][1]["children"], json!([2]));
    assert_eq!(new.json["scenes"][0]["nodes"], json!([0, body, body + 1]));
    assert_eq!(old.skinned(None), new.skinned(None));
    // The skin was bound with the identity as its space: there the node is put.
    assert!(place(&new, body).abs_diff_eq(DMat4::IDENTITY, 1e-9));
    assert_eq!(old.bin, new.bin);
    assert!(matches!(one(&before, "move-to-root", json!({"nodes": [0]})).1, Outcome::Refused(_)));
}

/// What the suggester proposes for a model comes as one repair, and hangs every joint as it says.
fn suggested(name: &str) -> Result<(), Failed> {
    let before = write_glb(&demo_character(name, 600).unwrap().scene, &Storage::default());
    let rig = read(&alone(&before), &Limits::default()).map_err(|fault| fault.to_string())?.rig;
    let ask = Ask { strip: true, ..Ask::default() };
    let parents = suggest(&Facts::new(&rig), &ask).map_err(|refusal| format!("{refusal:?}"))?;
    assert!(parents.patch.is_empty() && parents.repairs.len() <= 1);
    let after = if parents.repairs.is_empty() {
        before.clone()
    } else {
        let (after, outcomes) = apply_fixes(&alone(&before), &Limits::default(), &parents.repairs).unwrap();
        assert_eq!(outcomes, [Outcome::Applied]);
        same_motion("as suggested", &before, after.as_ref().unwrap());
        after.unwrap()
    };
    let rig = read(&alone(&after), &Limits::default()).map_err(|fault| fault.to_string())?.rig;
    for (joint, suggestion) in rig.joints.iter().zip(&parents.suggestions) {
        let parent = match joint.parent {
            Parent::Joint(up) => rig.joints[up.index()].name.clone(),
            _ => None,
        };
        assert_eq!((joint.name.as_ref(), parent), (Some(&suggestion.joint), suggestion.parent.clone()));
    }
    Ok(())
}

fn character(name: &str) -> Result<(), Failed> {
    for variant in variants(name, 600).into_iter().filter(|variant| variant.beside.is_none()) {
        let (form, before) = (variant.form, variant.document);
        if form.contains("meshopt") || form.contains("sparse") || !before.starts_with(b"glTF") {
            // What this reader cannot unpack, the one in tests/outside can.
            continue;
        }
        let file = open(&before);
        let joints: Vec<usize> = file.json["skins"][0]["joints"]
            .as_array()
            .unwrap()
            .iter()
            .map(|j| j.as_u64().unwrap() as usize)
            .collect();
        let parent = |node: usize| {
            file.list("nodes")
                .iter()
                .position(|it| it["children"].as_array().is_some_and(|list| list.contains(&json!(node))))
        };
        let above = |node: usize| std::iter::successors(parent(node), |at| parent(*at)).collect::<Vec<_>>();
        // One to its grandparent, one across the body, one to the scene.
        let deep: Vec<usize> = joints.iter().copied().filter(|node| above(*node).len() >= 2).collect();
        let (a, b) = (deep[deep.len() / 3], deep[deep.len() * 2 / 3]);
        let far = joints
            .iter()
            .copied()
            .rev()
            .find(|to| !above(*to).contains(&b) && *to != b && parent(b) != Some(*to));
        for (node, to) in [(a, json!(above(a)[1])), (b, json!(far)), (deep[deep.len() / 2], Value::Null)] {
            let after = done(&before, "reparent", json!({"nodes": [{"node": node, "parent": to}]}));
            same_motion(&format!("{form}: {node} from {to}"), &before, &after);
            let new = open(&after);
            valid(&new)?;
            let (was, is) = (file.worlds(None), new.worlds(None));
            let size = was.iter().map(|m| m.w_axis.truncate().length()).fold(0.0, f64::max);
            for (node, (a, b)) in was.iter().zip(&is).enumerate() {
                assert!(a.abs_diff_eq(*b, 1e-7 * size.max(1.0)), "{form}: node {node} has moved");
            }
            let binds = |file: &File| file.json["skins"][0]["inverseBindMatrices"].as_u64().unwrap() as usize;
            assert_eq!(file.raw(binds(&file)), new.raw(binds(&new)), "{form}: bind matrices stay");
            let again = one(&after, "reparent", json!({"nodes": [{"node": node, "parent": to}]}));
            assert_eq!(again, (None, Outcome::Unchanged));
        }
    }
    Ok(())
}
