//! The characters with planted faults, each written down.

use glam::DQuat;
use serde_json::{Value, json};

use super::{Character, character};
use crate::export::SceneNode;

/// A planted fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Planted {
    /// The check that must find it.
    pub check: &'static str,
    /// The name of the subject it must be found on.
    pub subject: &'static str,
    /// What was done.
    pub what: &'static str,
    /// Where: `plan` or `model`.
    pub place: &'static str,
}

/// A character with its planted faults.
pub fn faulty(name: &str, vertices: usize) -> Option<(Character, Vec<Planted>)> {
    let mut it = character(name, vertices)?;
    let planted = match name {
        "fiddler-porter" => fiddler_porter(&mut it),
        "stilt-heron" => stilt_heron(&mut it),
        "lantern-eel" => lantern_eel(&mut it),
        _ => harbour_clerk(&mut it),
    };
    Some((it, planted))
}

const fn plan(check: &'static str, subject: &'static str, what: &'static str) -> Planted {
    Planted { check, subject, what, place: "plan" }
}

const fn model(check: &'static str, subject: &'static str, what: &'static str) -> Planted {
    Planted { check, subject, what, place: "model" }
}

/// The plan's joint of a name.
fn joint<'p>(plan: &'p mut Value, name: &str) -> &'p mut Value {
    static NONE: Value = Value::Null;
    let at = plan["joints"].as_array().into_iter().flatten().position(|joint| joint["name"] == name);
    debug_assert!(at.is_some() && NONE.is_null(), "the layouts have {name}");
    &mut plan["joints"][at.unwrap_or(0)]
}

fn node<'c>(it: &'c mut Character, name: &str) -> Option<&'c mut SceneNode> {
    it.scene.nodes.iter_mut().find(|node| node.name.as_deref() == Some(name))
}

/// Turns a plan joint about its own long axis.
fn twist(plan: &mut Value, name: &str, degrees: f64) {
    let joint = joint(plan, name);
    let turn: Vec<f64> =
        joint["orientation"].as_array().into_iter().flatten().filter_map(Value::as_f64).collect();
    if let [x, y, z, w] = turn.as_slice() {
        let turned = DQuat::from_xyzw(*x, *y, *z, *w) * DQuat::from_rotation_y(degrees.to_radians());
        joint["orientation"] = json!(turned.to_array());
    }
}

fn rename(plan: &mut Value, from: &str, to: &str) {
    match plan {
        Value::String(text) if text == from => to.clone_into(text),
        Value::Array(list) => list.iter_mut().for_each(|value| rename(value, from, to)),
        Value::Object(map) => map.values_mut().for_each(|value| rename(value, from, to)),
        _ => {}
    }
}

fn fiddler_porter(it: &mut Character) -> Vec<Planted> {
    joint(&mut it.plan, "leg_2_1_l")["parent"] = json!("leg_2_3_l");
    rename(&mut it.plan, "stalk_2_l", "stalk_2_l.001");
    let origin = joint(&mut it.plan, "claw_small_3")["origin"].clone();
    joint(&mut it.plan, "claw_small_3")["tip"] = origin;
    for row in it.scene.meshes[0].influences.iter_mut().skip(40).step_by(211).take(9) {
        row.clear();
    }
    // One of several, so that what is left can be scaled to one.
    if let Some(row) = it.scene.meshes[0].influences.iter_mut().find(|row| row.len() > 1) {
        row[1].0 = 999;
    }
    vec![
        plan("structure/cycle", "leg_2_1_l", "the first joint of a leg hangs from its last"),
        plan("naming/copy-leftover", "stalk_2_l.001", "an eyestalk keeps a copy's counter"),
        plan("placement/zero-length", "claw_small_3", "the last segment of the small claw has no length"),
        model("skin/unweighted", "fiddler-porter-body[0]", "nine vertices have no influence"),
        model("skin/bad-joint", "fiddler-porter-body[0]", "one influence names joint 999"),
    ]
}

fn stilt_heron(it: &mut Character) -> Vec<Planted> {
    joint(&mut it.plan, "bill")["parent"] = json!("haed");
    rename(&mut it.plan, "tail_2", "tail_1");
    joint(&mut it.plan, "ring_hook")["role"] = json!("deforming");
    let toe = joint(&mut it.plan, "toe_mid_2_r");
    let x = toe["origin"][0].as_f64().unwrap_or(0.0);
    toe["origin"][0] = json!(x - 0.02);
    if let Some(neck) = node(it, "neck_3") {
        neck.rotation = neck.rotation.map(|c| c * 1.02);
    }
    for row in it.scene.meshes[0].influences.iter_mut().skip(100).take(60) {
        for (_, weight) in row {
            *weight *= 0.8;
        }
    }
    vec![
        plan("structure/unknown-parent", "bill", "the parent is misspelt"),
        plan("structure/duplicate-name", "rump/tail_1", "two joints of the tail have one name"),
        plan("skin/carried-joint-weighted", "ring_hook", "the joint that carries the ring is left deforming"),
        plan("placement/mirror-drift", "toe_mid_2_l & toe_mid_2_r", "a toe joint stands 20 mm off"),
        model("orientation/not-rigid", "neck_3", "a rotation is 2 % too long"),
        model("skin/sum", "stilt-heron-body[0]", "sixty vertices' weights add up to 0.8"),
    ]
}

fn lantern_eel(it: &mut Character) -> Vec<Planted> {
    joint(&mut it.plan, "fin_1_l")["parent"] = Value::Null;
    twist(&mut it.plan, "length_07", 25.0);
    if let Some(bone) = node(it, "length_09") {
        bone.translation = bone.translation.map(|c| c * 1.2);
    }
    if let Some(bone) = node(it, "jaw") {
        let turned = DQuat::from_array(bone.rotation) * DQuat::from_rotation_x(20_f64.to_radians());
        bone.rotation = turned.to_array();
    }
    vec![
        plan("structure/root", "fin_1_l", "a fin is a root that the plan does not list"),
        plan("orientation/twist-drift", "length_07", "one joint of the length is twisted by 25°"),
        model("bind/edited-after", "length_08", "a segment was made a fifth longer after binding"),
        model("bind/posed-rest", "lantern-eel-skin", "the jaw rests open by 20°"),
    ]
}

fn harbour_clerk(it: &mut Character) -> Vec<Planted> {
    for (a, b) in [("fore_1_l", "fore_1_r"), ("fore_2_l", "fore_2_r")] {
        rename(&mut it.plan, a, "swap");
        rename(&mut it.plan, b, a);
        rename(&mut it.plan, "swap", b);
        let (from, to) = (Some(a.to_owned()), Some(b.to_owned()));
        for node in &mut it.scene.nodes {
            if node.name == from {
                node.name.clone_from(&to);
            } else if node.name == to {
                node.name.clone_from(&from);
            }
        }
    }
    twist(&mut it.plan, "coat_1_r", 30.0);
    twist(&mut it.plan, "coat_2_r", 30.0);
    let extra = it.scene.nodes.iter().position(|node| node.name.as_deref() == Some("cap_peak"));
    let lower = it.scene.nodes.iter().position(|node| node.name.as_deref() == Some("coat_back_2"));
    if let (Some(extra), Some(lower)) = (extra, lower) {
        it.scene.nodes[lower].name = it.scene.nodes[extra].name.clone();
    }
    vec![
        plan("naming/side-mismatch", "fore_1_r & fore_1_l", "a finger's names are swapped"),
        plan("orientation/mirror-twist", "coat_1_l & coat_1_r", "the right coat-tail is twisted by 30°"),
        model("naming/side-mismatch", "fore_1_r & fore_1_l", "a finger's names are swapped"),
        model("structure/duplicate-name", "hips/coat_back_1/cap_peak", "two joints have one name"),
    ]
}
