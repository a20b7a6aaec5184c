//! Skeletons as the standards for humanoids ask for: sound ground for faults against them.
//!
//! Names and parents are the standards' tables; where the joints stand is our own, in a T-pose.

use glam::DVec3;

use super::ground::{Document, Files, Ground, read_files, scene_of};
use crate::standards::{hanim, vrm};
use crate::testing::build;

/// The whole humanoid of VRM 1.0 and the joints of H-Anim's first level, as plans and as models.
///
/// # Errors
/// A skeleton that cannot be built, in words.
pub fn humanoids() -> Result<Vec<Ground>, String> {
    let mut grounds = Vec::new();
    for (standard, joints) in [("avatar", avatar()), ("h-anim", first_level())] {
        let lines: String = joints
            .iter()
            .map(|(name, parent, at)| {
                format!("joint {name} at {} {} {} parent {}\n", at.x, at.y, at.z, parent.unwrap_or("none"))
            })
            .collect();
        let text = |head: &str, tail: &str| {
            build(&format!("{head}\n{lines}{tail}")).map_err(|error| error.to_string())
        };
        let plan = serde_json::from_slice(&text("plan", "")?).map_err(|error| error.to_string())?;
        let glb = text("gltf", "body tubes radius 0.02 rings 2 sides 3\n")?;
        let mut scene = scene_of(&read_files(&Files { model: Some(glb), ..Files::default() })?.rig)
            .ok_or("the humanoid makes no scene")?;
        if standard == "avatar" {
            let node = |name: &str| scene.nodes.iter().position(|node| node.name.as_deref() == Some(name));
            scene.humanoid =
                joints.iter().filter_map(|(name, ..)| Some(((*name).to_owned(), node(name)?))).collect();
        }
        for (kind, document) in [("plan", Document::Plan(plan)), ("model", Document::Scene(scene))] {
            let mut ground = Ground::new(format!("{standard} ({kind})"), document, false)?;
            ground.made_for = Some(standard);
            grounds.push(ground);
        }
    }
    Ok(grounds)
}

/// Name, parent, place.
type Placed = (&'static str, Option<&'static str>, DVec3);

/// Parents before children.
fn ordered(mut left: Vec<Placed>) -> Vec<Placed> {
    let mut out: Vec<Placed> = Vec::new();
    while !left.is_empty() {
        let count = out.len();
        let known =
            |parent: Option<&str>, out: &[Placed]| parent.is_none_or(|up| out.iter().any(|one| one.0 == up));
        let (ready, later): (Vec<Placed>, Vec<Placed>) = left.into_iter().partition(|one| known(one.1, &out));
        out.extend(ready);
        left = later;
        if out.len() == count {
            break;
        }
    }
    out
}

fn avatar() -> Vec<Placed> {
    ordered(vrm().values().map(|bone| (bone.name, bone.parent, bone_at(bone.name))).collect())
}

/// Where a bone stands: metres, left at +X.
fn bone_at(name: &str) -> DVec3 {
    let (side, own) = match (name.strip_prefix("left"), name.strip_prefix("right")) {
        (Some(own), _) => (1.0, own),
        (_, Some(own)) => (-1.0, own),
        _ => (0.0, name),
    };
    let finger = |z: f64| {
        let x = if own.ends_with("Proximal") {
            0.77
        } else if own.ends_with("Intermediate") {
            0.81
        } else {
            0.84
        };
        [x, 1.42, z]
    };
    let [x, y, z] = match own {
        "spine" => [0.0, 1.1, 0.0],
        "chest" => [0.0, 1.22, 0.0],
        "upperChest" => [0.0, 1.34, 0.0],
        "neck" => [0.0, 1.47, 0.0],
        "head" => [0.0, 1.55, 0.0],
        "jaw" => [0.0, 1.57, 0.03],
        "Eye" => [0.03, 1.62, 0.07],
        "Shoulder" => [0.05, 1.42, 0.0],
        "UpperArm" => [0.16, 1.42, 0.0],
        "LowerArm" => [0.43, 1.42, -0.01],
        "Hand" => [0.68, 1.42, 0.0],
        "ThumbMetacarpal" => [0.7, 1.42, 0.03],
        "ThumbProximal" => [0.73, 1.42, 0.05],
        "ThumbDistal" => [0.76, 1.42, 0.065],
        "UpperLeg" => [0.09, 0.93, 0.0],
        "LowerLeg" => [0.09, 0.5, 0.01],
        "Foot" => [0.09, 0.09, -0.02],
        "Toes" => [0.09, 0.03, 0.1],
        _ if own.starts_with("Index") => finger(0.03),
        _ if own.starts_with("Middle") => finger(0.01),
        _ if own.starts_with("Ring") => finger(-0.01),
        _ if own.starts_with("Little") => finger(-0.03),
        // The hips.
        _ => [0.0, 1.0, 0.0],
    };
    DVec3::new(x * side + if side == 0.0 { x } else { 0.0 }, y, z)
}

fn first_level() -> Vec<Placed> {
    let all = hanim().values().filter(|joint| joint.at(1));
    let mut out = ordered(all.map(|joint| (joint.name, joint.parents[0], DVec3::ZERO)).collect());
    for at in 0..out.len() {
        let (name, parent, _) = out[at];
        let above = parent.and_then(|up| out.iter().find(|one| one.0 == up)).map(|one| one.2);
        let Some(above) = above else {
            out[at].2 = DVec3::Y;
            continue;
        };
        let side = if name.starts_with("l_") { 1.0 } else { -1.0 };
        let leg =
            ["hip", "knee", "ankle", "talo", "midtarsal", "tarsal"].iter().any(|word| name.contains(word));
        out[at].2 = above
            + match (name.starts_with("l_") || name.starts_with("r_"), leg) {
                (true, true) if name.contains("hip") => DVec3::new(0.1 * side, -0.05, 0.0),
                (true, true) => DVec3::new(0.0, -0.3, 0.02),
                (true, false) => DVec3::new(0.2 * side, 0.02, 0.0),
                // In the middle some stand side by side: told apart by their place in the list.
                _ => DVec3::new(0.0, 0.1, 0.01 * at as f64),
            };
    }
    out
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use super::*;

    #[test]
    fn the_skeletons_are_sound_by_their_standards() {
        for ground in humanoids().unwrap() {
            let sound = ground.sound(ground.made_for.unwrap(), false).unwrap();
            let own: Vec<&str> = sound
                .report
                .findings
                .iter()
                .filter(|one| one.check == "naming/standard")
                .map(|one| one.message.as_str())
                .collect();
            assert!(own.is_empty(), "{}: {own:?}", ground.name);
        }
        // 55 bones (VRM 1.0, humanoid).
        assert_eq!(avatar().len(), 55);
    }
}
