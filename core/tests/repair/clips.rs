//! Keys, channels, maps and lists, with what must come out worked out by hand.

use condyle_core::export::{SceneChannel, SceneClip, SceneMesh, ScenePath, Storage, write_glb};
use condyle_core::model::Interpolation;
use condyle_core::repair::Outcome;
use libtest_mimic::Trial;
use serde_json::{Value, json};

use crate::cases::{close, glb, node, parts, row, strip, whole, with};
use crate::scene::{File, changed, open};
use crate::{done, one};

pub(crate) fn trials() -> Vec<Trial> {
    let list: [(&str, fn()); 6] = [
        ("rotations of unit length", unit),
        ("the shorter way round", shorter),
        ("channels go", channels),
        ("a skeleton property goes", skeleton),
        ("weights over the mirror plane", mirror),
        ("maps and waivers", declared),
    ];
    list.into_iter()
        .map(|(name, test)| {
            Trial::test(format!("clip: {name}"), move || {
                test();
                Ok(())
            })
        })
        .collect()
}

fn clip(interpolation: Interpolation, times: &[f32], values: &[&[f32]]) -> Vec<u8> {
    let mut scene = strip(vec![whole(); 9]);
    let channels = values.iter().enumerate().map(|(at, values)| SceneChannel {
        node: at + 1,
        path: ScenePath::Rotation,
        interpolation,
        times: times.to_vec(),
        values: values.to_vec(),
    });
    scene.clips = vec![SceneClip { name: "nod".into(), channels: channels.collect() }];
    write_glb(&scene, &Storage::default())
}

fn output(file: &File, channel: usize) -> Vec<f64> {
    let clip = &file.json["animations"][0];
    let sampler = clip["channels"][channel]["sampler"].as_u64().unwrap() as usize;
    let accessor = clip["samplers"][sampler]["output"].as_u64().unwrap() as usize;
    file.numbers(accessor).into_iter().flatten().collect()
}

fn unit() {
    let fix = json!({"clip": 0, "channels": [0]});
    // Lengths 2, 1 and 2 (1.2² + 1.6² = 4).
    let before = clip(
        Interpolation::Linear,
        &[0.0, 1.0, 2.0],
        &[
            &[0.0, 0.0, 0.0, 2.0, 0.0, 0.6, 0.0, 0.8, 0.0, 0.0, 1.2, 1.6],
            &[0.0, 0.0, 0.0, 3.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0],
        ],
    );
    let after = done(&before, "normalise-keys", fix.clone());
    close(&output(&open(&after), 0), &[0.0, 0.0, 0.0, 1.0, 0.0, 0.6, 0.0, 0.8, 0.0, 0.0, 0.6, 0.8]);
    assert_eq!(output(&open(&after), 1), output(&open(&before), 1), "the other channel keeps its keys");
    assert_eq!((before.len(), &open(&before).text), (after.len(), &open(&after).text), "written in place");
    assert_eq!(one(&after, "normalise-keys", fix.clone()), (None, Outcome::Unchanged));
    // A spline's tangents go with their key, so that the curve has the same shape: each halved.
    let before = clip(
        Interpolation::CubicSpline,
        &[0.0, 1.0],
        &[&[
            1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.2, 1.6, 0.0, 2.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.6,
            0.8, 0.0, 0.5, 0.0, 0.0,
        ]],
    );
    let after = done(&before, "normalise-keys", fix);
    close(
        &output(&open(&after), 0),
        &[
            0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.6, 0.8, 0.0, 1.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.6,
            0.8, 0.0, 0.5, 0.0, 0.0,
        ],
    );
    assert!(matches!(
        one(&before, "normalise-keys", json!({"clip": 0, "channels": [4]})).1,
        Outcome::Refused(_)
    ));
}

fn shorter() {
    let fix = json!({"clip": 0, "channels": [0]});
    // The second has a dot product of −0.8 with the first and is turned round; the third is then −0.96 from it, and
    // turned round as well; the fourth fits.
    let before = clip(
        Interpolation::Linear,
        &[0.0, 1.0, 2.0, 3.0],
        &[&[0.0, 0.0, 0.0, 1.0, 0.0, 0.0, -0.6, -0.8, 0.0, 0.0, -0.8, -0.6, 0.0, 0.0, 0.8, 0.6]],
    );
    let after = done(&before, "flip-keys", fix.clone());
    close(
        &output(&open(&after), 0),
        &[0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.6, 0.8, 0.0, 0.0, 0.8, 0.6, 0.0, 0.0, 0.8, 0.6],
    );
    assert_eq!(one(&after, "flip-keys", fix.clone()), (None, Outcome::Unchanged));
    let before = clip(
        Interpolation::CubicSpline,
        &[0.0, 1.0],
        &[&[
            0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.1, 0.0, 0.0, 0.0, 0.2, 0.0, 0.0, 0.0, 0.0, 0.0, -0.6,
            -0.8, 0.0, 0.3, 0.0, 0.0,
        ]],
    );
    let after = done(&before, "flip-keys", fix);
    close(
        &output(&open(&after), 0),
        &[
            0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.1, 0.0, 0.0, 0.0, -0.2, 0.0, 0.0, 0.0, 0.0, 0.0, 0.6,
            0.8, 0.0, -0.3, 0.0, 0.0,
        ],
    );
}

fn channels() {
    let key: &[f32] = &[0.0, 0.0, 0.0, 1.0];
    let before = clip(Interpolation::Linear, &[0.0], &[key, key]);
    let after = done(&before, "remove-channels", json!({"clip": 0, "channels": [0]}));
    let (old, new) = (open(&before), open(&after));
    let left = new.json["animations"][0]["channels"].as_array().unwrap();
    assert_eq!(left.as_slice(), &old.json["animations"][0]["channels"].as_array().unwrap()[1..]);
    assert_eq!(old.json["animations"][0]["samplers"], new.json["animations"][0]["samplers"]);
    assert_eq!(old.bin, new.bin);
    let (mut a, mut b) = (old.json.clone(), new.json.clone());
    for json in [&mut a, &mut b] {
        json["animations"][0]["channels"] = Value::Null;
    }
    assert_eq!(a, b, "nothing else is touched");
    for channels in [json!([0, 1]), json!([7])] {
        let all = json!({"clip": 0, "channels": channels});
        assert!(matches!(one(&before, "remove-channels", all).1, Outcome::Refused(_)));
    }
}

fn skeleton() {
    let mut scene = strip(vec![whole(); 9]);
    scene.skeletons = vec![(0, 2)];
    let before = write_glb(&scene, &Storage::default());
    assert_eq!(open(&before).json["skins"][0]["skeleton"], 2);
    let after = done(&before, "remove-skeleton", json!({"skin": 0}));
    let (old, new) = (open(&before), open(&after));
    assert_eq!(changed(&old.text, &new.text), ["/skins/0/skeleton"]);
    assert_eq!((old.bin.clone(), old.skinned(None)), (new.bin.clone(), new.skinned(None)));
    assert_eq!(one(&after, "remove-skeleton", json!({"skin": 0})), (None, Outcome::Unchanged));
}

/// Arms a metre to each side, hands another metre out; the skin at (±1, 0), (±1, 1), (±2, 0), (±2, 1), (0, 0), (0, 1).
fn mirror() {
    let mut scene = strip(vec![whole(); 9]);
    scene.nodes = vec![
        node("hips", None, 0.0),
        node("arm_l", Some(0), 1.0),
        node("arm_r", Some(0), -1.0),
        node("hand_l", Some(1), 1.0),
        node("hand_r", Some(2), -1.0),
        node("body", None, 0.0),
    ];
    (scene.nodes[5].mesh, scene.nodes[5].skin) = (Some(0), Some(0));
    let bind = |x: f32| [1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, -x, 0.0, 0.0, 1.0];
    scene.skins[0].joints = vec![0, 1, 2, 3, 4];
    scene.skins[0].inverse_bind = Some([0.0, 1.0, -1.0, 2.0, -2.0].map(bind).to_vec());
    let xs = [0.0, 1.0, 2.0, -1.0, -2.0_f32];
    let positions: Vec<[f32; 3]> = xs.iter().flat_map(|x| [[*x, 0.0, 0.0], [*x, 1.0, 0.0]]).collect();
    let quad = |a: u32, b: u32| [a, b, a + 1, a + 1, b, b + 1];
    let indices = [quad(0, 2), quad(2, 4), quad(6, 0), quad(8, 6)].concat();
    let mut influences = vec![whole(); 10];
    influences[1] = vec![(1, 0.5), (0, 0.5)];
    influences[2] = vec![(1, 0.75), (0, 0.25)];
    influences[4] = vec![(3, 1.0)];
    influences[5] = vec![(2, 0.125), (1, 0.875)];
    scene.meshes = vec![SceneMesh {
        name: "body".into(),
        positions,
        indices,
        influences,
        colour: [1.0; 4],
        ..SceneMesh::default()
    }];
    let before = write_glb(&scene, &Storage::default());
    let fix = json!({"mesh": 0, "normal": [1, 0, 0], "offset": 0});
    let after = done(&before, "mirror-weights", fix.clone());
    let joints = |bytes: &[u8], vertex: usize| {
        let (slots, weights) = row(bytes, vertex);
        let mut sum = [0.0; 5];
        for (slot, weight) in slots.iter().zip(&weights) {
            sum[*slot as usize] += weight;
        }
        sum
    };
    for vertex in 2..6 {
        assert_eq!(row(&before, vertex), row(&after, vertex), "the left side gives and keeps");
    }
    close(&joints(&after, 6), &[0.25, 0.0, 0.75, 0.0, 0.0]);
    close(&joints(&after, 7), &[1.0, 0.0, 0.0, 0.0, 0.0]);
    close(&joints(&after, 8), &[0.0, 0.0, 0.0, 0.0, 1.0]);
    close(&joints(&after, 9), &[0.0, 0.125, 0.875, 0.0, 0.0]);
    // On the plane: half of its own, half of its mirror image (0.5 of the centre, 0.5 of the other arm).
    close(&joints(&after, 0), &[1.0, 0.0, 0.0, 0.0, 0.0]);
    close(&joints(&after, 1), &[0.5, 0.25, 0.25, 0.0, 0.0]);
    assert_eq!(one(&after, "mirror-weights", fix), (None, Outcome::Unchanged));
    let position = |bytes: &[u8]| {
        let file = open(bytes);
        let accessor = file.json["meshes"][0]["primitives"][0]["attributes"]["POSITION"].as_u64().unwrap();
        file.numbers(accessor as usize)
    };
    assert_eq!(position(&before), position(&after));
}

fn declared() {
    let (mut document, bin) = parts(with(2, &[(0, 1.0)]));
    let without = glb(&document, &bin);
    let bones = json!({"bones": {"hips": 0, "leftThumbMetacarpal": 1}});
    assert!(matches!(one(&without, "map-humanoid", bones.clone()).1, Outcome::Refused(_)));
    // VRM 1.0, humanoid: an object by bone; what else an entry says stays.
    let old = json!({"hips": {"node": 2, "extras": {"kept": 1.50}}, "head": {"node": 2}});
    document["extensions"] = json!({"VRMC_vrm": {"specVersion": "1.0", "humanoid": {"humanBones": old}}});
    let before = glb(&document, &bin);
    let after = done(&before, "map-humanoid", bones.clone());
    let map = &open(&after).json["extensions"]["VRMC_vrm"]["humanoid"]["humanBones"];
    let expected = json!({"hips": {"node": 0, "extras": {"kept": 1.50}}, "head": {"node": 2}, "leftThumbMetacarpal": {"node": 1}});
    assert_eq!(*map, expected);
    assert_eq!(one(&after, "map-humanoid", bones.clone()), (None, Outcome::Unchanged));
    assert!(matches!(one(&before, "map-humanoid", json!({"bones": {"tail": 0}})).1, Outcome::Refused(_)));
    // VRM 0.x: a list, and the thumb's joints bear the older names.
    document["extensions"] =
        json!({"VRM": {"humanoid": {"humanBones": [{"bone": "hips", "node": 2, "useDefaultValues": true}]}}});
    let after = done(&glb(&document, &bin), "map-humanoid", bones);
    let map = &open(&after).json["extensions"]["VRM"]["humanoid"]["humanBones"];
    assert_eq!(map[0], json!({"bone": "hips", "node": 0, "useDefaultValues": true}));
    assert_eq!((&map[1]["bone"], &map[1]["node"]), (&json!("leftThumbProximal"), &json!(1)));
    // Waivers in the extras of the asset: one of two stays, with the text that it has.
    let kept = json!({"check": "skin/*", "reason": "house rule", "until": "2030-01-01"});
    document["extensions"] = json!({});
    document["asset"]["extras"] =
        json!({"condyle": {"waivers": [{"check": "bind/*", "reason": "old"}, kept]}, "other": 1.0});
    let fix = json!({"pointer": "/asset/extras/condyle/waivers", "waivers": [kept]});
    let before = glb(&document, &bin);
    let after = done(&before, "set-waivers", fix.clone());
    assert_eq!(open(&after).json["asset"]["extras"], json!({"condyle": {"waivers": [kept]}, "other": 1.0}));
    assert_eq!(one(&after, "set-waivers", fix), (None, Outcome::Unchanged));
    for pointer in ["/nodes", "/extras/condyle/waivers", "/asset/version"] {
        let wrong = json!({"pointer": pointer, "waivers": []});
        assert!(matches!(one(&before, "set-waivers", wrong).1, Outcome::Refused(_)), "{pointer}");
    }
}
