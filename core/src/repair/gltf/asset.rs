//! Repairs of the asset as a whole, and of nodes as such: names, the scale and turn of everything, a missing twin.

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::arguments::Arguments;
use super::bind::decompose;
use super::{Done, Session, Stop};
use crate::finding::round;
use crate::model::{JointId, Local, NodeId};

fn numbers(list: &[f64]) -> Value {
    json!(list.iter().map(|number| round(*number)).collect::<Vec<_>>())
}

/// Names nodes.
pub(super) fn rename(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut names = Vec::new();
    for one in arguments.list("nodes")? {
        let node = session.node(one.index("node")?)?;
        let name = json!(one.text("name")?);
        session.claim(format!("/nodes/{}/name", node.0), Some(name.clone()))?;
        names.push((node, name));
    }
    let mut changed = false;
    for (node, name) in names {
        let pointer = format!("/nodes/{}/name", node.0);
        if session.document.value(&pointer).as_ref() != Some(&name) {
            session.document.set(&pointer, &name).map_err(Stop::Refused)?;
            changed = true;
        }
    }
    Ok(changed)
}

/// Scales everything about the world's origin.
pub(super) fn scale(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let factor = arguments.number("factor")?;
    if !(1e-9..=1e9).contains(&factor) {
        return Err("the factor is no sensible one".into());
    }
    place(session, DMat4::from_scale(DVec3::splat(factor)), "scaled")
}

/// Turns everything about the world's origin.
pub(super) fn turn(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    place(session, DMat4::from_quat(arguments.rotation("rotation")?), "turned")
}

/// Puts every scene under a transform: on its one root, where that is a plain node that no clip drives, else on a new
/// node above its roots, so that no joint, clip or bind matrix changes.
fn place(session: &mut Session<'_>, by: DMat4, name: &str) -> Done {
    if by.abs_diff_eq(DMat4::IDENTITY, 1e-9) {
        return Ok(false);
    }
    let rig = session.rig;
    session.claim("/scenes".into(), None)?;
    let scenes: Vec<Vec<NodeId>> = if rig.scene_roots.is_empty() {
        vec![
            (0..rig.nodes.len()).map(NodeId::new).filter(|n| rig.nodes[n.index()].parent.is_none()).collect(),
        ]
    } else {
        rig.scene_roots.clone()
    };
    let mut sets: Vec<Vec<NodeId>> = scenes.iter().filter(|roots| !roots.is_empty()).cloned().collect();
    sets.sort();
    sets.dedup();
    let mut seen = std::collections::BTreeSet::new();
    if sets.iter().flatten().any(|node| !seen.insert(*node)) {
        return Err("two scenes share some of their roots".into());
    }
    if sets.iter().flatten().any(|node| rig.nodes[node.index()].parent.is_some()) {
        return Err("a scene begins below a root".into());
    }
    let driven =
        |node: NodeId| rig.clips.iter().flat_map(|clip| &clip.channels).any(|c| c.node == Some(node));
    for roots in sets {
        if let [only] = roots.as_slice()
            && rig.nodes[only.index()].joint.is_none()
            && rig.nodes[only.index()].mesh.is_none()
            && !driven(*only)
        {
            let local = match session.local(only.index()) {
                Local::Matrix(m) => Local::Matrix(by * m),
                Local::Trs { translation, rotation, scale } => {
                    let factor = by.x_axis.length();
                    let turn = DQuat::from_mat4(&(by * DMat4::from_scale(DVec3::splat(1.0 / factor))));
                    let turned = turn.normalize() * DQuat::from_array(rotation).normalize();
                    Local::Trs {
                        translation: by.transform_point3(translation),
                        rotation: turned.to_array(),
                        scale: scale * factor,
                    }
                }
            };
            session.locals.insert(only.index(), local);
            continue;
        }
        let children: Vec<u32> = roots.iter().map(|node| node.0).collect();
        let mut node = json!({"name": name, "children": children});
        let (_, turn, size) = decompose(by).ok_or("the transform is no turn and no scale")?;
        if !size.abs_diff_eq(DVec3::ONE, 1e-12) {
            node["scale"] = numbers(&size.to_array());
        }
        if turn.angle_between(DQuat::IDENTITY) > 1e-12 {
            node["rotation"] = numbers(&turn.to_array());
        }
        let index = session.document.push("/nodes", &node).map_err(Stop::Refused)?;
        for (scene, of) in rig.scene_roots.iter().enumerate() {
            if *of == roots {
                session
                    .document
                    .set(&format!("/scenes/{scene}/nodes"), &json!([index]))
                    .map_err(Stop::Refused)?;
            }
        }
    }
    Ok(true)
}

/// The four ways in which a twin's frame can mirror: the reflection with one axis turned round, or all three.
const FLIPS: [DVec3; 4] = [
    DVec3::new(-1.0, 1.0, 1.0),
    DVec3::new(1.0, -1.0, 1.0),
    DVec3::new(1.0, 1.0, -1.0),
    DVec3::new(-1.0, -1.0, -1.0),
];

/// Adds the joint that a joint lacks on the other side, mirrored as most twins of the rig are, without weights.
pub(super) fn add_twin(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let node = session.node(arguments.index("node")?)?;
    let (name, normal, offset) =
        (arguments.text("name")?, arguments.unit("normal")?, arguments.number("offset")?);
    let rig = session.rig;
    let joint = rig.nodes[node.index()].joint.ok_or("the node is no joint")?;
    let frames = &session.facts.bind().joints;
    let Some((skin, slot)) = session.facts.bind().slot[joint.index()] else {
        return Err("the joint has no bind matrix".into());
    };
    let matrix = |joint: JointId| {
        let frame = &frames[joint.index()];
        let basis = DMat3::from_cols(
            frame.basis.x_axis * frame.scale.x,
            frame.basis.y_axis * frame.scale.y,
            frame.basis.z_axis * frame.scale.z,
        );
        DMat4::from_mat3_translation(basis, frame.origin)
    };
    let reflect = DMat3::from_cols(
        DVec3::X - 2.0 * normal.x * normal,
        DVec3::Y - 2.0 * normal.y * normal,
        DVec3::Z - 2.0 * normal.z * normal,
    );
    let twins = session.facts.twins();
    let agreeing = |flip: DVec3| {
        let near = |(a, b): &&(JointId, JointId)| {
            let image = reflect * frames[a.index()].basis * DMat3::from_diagonal(flip);
            (image - frames[b.index()].basis).to_cols_array().iter().all(|c| c.abs() < 0.1)
        };
        twins.pairs.iter().filter(near).count()
    };
    let flip = FLIPS.into_iter().rev().max_by_key(|flip| agreeing(*flip)).unwrap_or(FLIPS[0]);
    let frame = &frames[joint.index()];
    let basis = reflect * frame.basis * DMat3::from_diagonal(flip * frame.scale);
    let origin = frame.origin - 2.0 * (normal.dot(frame.origin) - offset) * normal;
    let bind = DMat4::from_mat3_translation(basis, origin);
    let above = session.facts.tree().parent[joint.index()].ok_or("the joint has no parent")?;
    let above = twins.of.get(above.index()).copied().flatten().unwrap_or(above);
    let up = rig.joints[above.index()].node.ok_or("its parent is no node")?;
    let local = matrix(above).inverse() * bind;
    let (translation, rotation, scale) =
        decompose(local).filter(|_| local.is_finite()).ok_or("the mirrored frame is sheared")?;
    let space = session.facts.bind().skins[skin.index()].mesh_to_world;
    let inverse = bind.inverse() * space;
    if !inverse.is_finite() {
        return Err("the mirrored frame cannot be inverted".into());
    }
    let mut binds = session.binds(skin.index())?;
    binds.truncate(rig.skins[skin.index()].joints.len());
    debug_assert!(slot < binds.len());
    session.claim(format!("/skins/{}/joints", skin.0), None)?;
    let mut new = json!({"name": name, "translation": numbers(&translation.to_array())});
    new["rotation"] = numbers(&rotation.to_array());
    if !scale.abs_diff_eq(DVec3::ONE, 1e-9) {
        new["scale"] = numbers(&scale.to_array());
    }
    let index = session.document.push("/nodes", &new).map_err(Stop::Refused)?;
    let children = format!("/nodes/{}/children", up.0);
    if session.document.has(&children) {
        session.document.push(&children, &json!(index)).map_err(Stop::Refused)?;
    } else {
        session.document.set(&children, &json!([index])).map_err(Stop::Refused)?;
    }
    let joints = format!("/skins/{}/joints", skin.0);
    session.document.push(&joints, &json!(index)).map_err(Stop::Refused)?;
    binds.push(inverse);
    session.binds.insert(skin.index(), binds);
    Ok(true)
}
