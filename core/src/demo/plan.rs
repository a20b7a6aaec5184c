//! A layout as a plan.

use glam::DVec3;
use serde_json::{Value, json};

use super::layout::{Layout, Role};
use crate::export::SceneMesh;
use crate::finding::{quaternion_json, round, vector_json};

/// Skin up to this far above the lowest stands on the ground, as a share of the largest extent.
const SOLE: f64 = 0.03;

/// The plan; feet stand where the body's skin is lowest. `slots` are the bones of the skin.
pub(super) fn plan(layout: &Layout, name: &str, body: &SceneMesh, slots: &[usize]) -> Value {
    let bones = &layout.bones;
    let names = |list: &[usize]| list.iter().map(|b| bones[*b].name.clone()).collect::<Vec<_>>();
    let joints: Vec<Value> = bones
        .iter()
        .map(|bone| {
            let parent = bone.parent.map(|up| bones[up].name.as_str());
            let mut joint = json!({"name": bone.name, "origin": vector_json(bone.a)});
            if bone.role != Role::Control {
                joint["tip"] = vector_json(bone.b);
            }
            joint["orientation"] = quaternion_json(bone.turn);
            joint["parent"] = json!(parent);
            match bone.role {
                Role::Deforming => {}
                Role::Carrying => joint["role"] = json!("carrying"),
                Role::Control => joint["role"] = json!("control"),
            }
            if let Some([bend, sway, twist]) = bone.range {
                joint["range"] = json!({"bend": bend, "sway": sway, "twist": twist});
            }
            joint
        })
        .collect();
    let parts: Vec<Value> = layout
        .parts
        .iter()
        .map(|part| {
            let mut out = json!({"name": part.name, "kind": part.kind, "side": part.side, "joints": names(&part.bones)});
            let first = part.bones.first().map(|first| &bones[*first]);
            if first.is_some_and(|first| first.parent.is_some_and(|up| bones[up].b == first.a)) {
                out["starts"] = json!("at_parent_tip");
            }
            if part.asymmetric {
                out["asymmetric"] = json!(true);
            }
            out
        })
        .collect();
    let pieces: Vec<Value> = layout
        .pieces
        .iter()
        .map(|piece| {
            let (mut low, mut high) = (DVec3::INFINITY, DVec3::NEG_INFINITY);
            for (a, b) in piece.shapes.iter().map(super::shape::Shape::bounds) {
                low = low.min(a);
                high = high.max(b);
            }
            json!({"name": piece.name, "carried_by": bones[piece.bone].name, "pivot": vector_json(bones[piece.bone].a),
                "size": round((high - low).max_element())})
        })
        .collect();
    let feet: Vec<Value> = layout
        .feet
        .iter()
        .map(|foot| {
            let sole = Sole::of(body, slots, &foot.bones);
            let contact = DVec3::new(foot.at.x, sole.low, foot.at.z);
            let edge = |x: f64| vector_json(DVec3::new(x, sole.low, foot.at.z));
            json!({"part": foot.part, "contact": vector_json(contact), "rocking": [edge(sole.left), edge(sole.right)]})
        })
        .collect();
    let groups: Vec<Value> =
        layout.groups.iter().map(|(group, list)| json!({"name": group, "joints": names(list)})).collect();
    let roots: Vec<&str> =
        bones.iter().filter(|bone| bone.parent.is_none()).map(|bone| bone.name.as_str()).collect();
    json!({"schema": "condyle.plan/1", "asset": name, "units": {"metres": 1.0},
        "frame": {"up": "+y", "forward": "+z"}, "axes": {"long": "+y", "bend": "+x"}, "joints": joints,
        "parts": parts, "feet": feet, "pieces": pieces, "groups": groups, "roots": roots,
        "body": {"files": [format!("{name}.glb")]}})
}

/// The lowest skin of a foot, and how wide it stands in front view.
struct Sole {
    low: f64,
    left: f64,
    right: f64,
}

impl Sole {
    fn of(body: &SceneMesh, slots: &[usize], bones: &[usize]) -> Self {
        let own = |row: &[(u16, f32)]| {
            row.first().is_some_and(|(slot, _)| bones.contains(&slots[usize::from(*slot)]))
        };
        let skin: Vec<DVec3> = body
            .positions
            .iter()
            .zip(&body.influences)
            .filter(|(_, row)| own(row))
            .map(|(p, _)| DVec3::from(p.map(f64::from)))
            .collect();
        let low = skin.iter().map(|p| p.y).fold(f64::INFINITY, f64::min);
        let all = || body.positions.iter().map(|p| DVec3::from(p.map(f64::from)));
        let extent = all().fold(DVec3::NEG_INFINITY, DVec3::max) - all().fold(DVec3::INFINITY, DVec3::min);
        let high = SOLE * extent.max_element();
        let standing = skin.iter().filter(|p| p.y <= low + high);
        let (mut left, mut right) = (f64::NEG_INFINITY, f64::INFINITY);
        for p in standing {
            left = left.max(p.x);
            right = right.min(p.x);
        }
        if low.is_finite() { Self { low, left, right } } else { Self { low: 0.0, left: 0.0, right: 0.0 } }
    }
}
