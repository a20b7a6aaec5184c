//! Repairs of bind matrices and of the rest pose against them.

use glam::{DMat3, DMat4, DQuat, DVec3};

use super::arguments::Arguments;
use super::frames::matrix;
use super::store::Payload;
use super::{Done, Session, Stop, no};
use crate::model::{Local, NodeId};

/// A rest transform within these of the bind transform is the bind transform.
const SAME_TURN: f64 = 1e-6;
const SAME_PLACE: f64 = 1e-6;

fn claim_all(session: &mut Session<'_>, skin: usize) -> Result<Vec<NodeId>, Stop> {
    let rig = session.rig;
    let it = rig.skins.get(skin).ok_or_else(|| no("skin", skin))?;
    let nodes: Vec<NodeId> = it.joints.iter().filter_map(|joint| rig.joints[joint.index()].node).collect();
    for node in &nodes {
        session.claim_frame(node.index())?;
    }
    Ok(nodes)
}

/// Binds a skin anew in the present rest pose: all of it, or the listed joints.
pub(super) fn recompute(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let skin = arguments.index("skin")?;
    let only = if arguments.0.get("nodes").is_some() { Some(arguments.indices("nodes")?) } else { None };
    let nodes = claim_all(session, skin)?;
    let space = session.facts.bind().skins[skin].mesh_to_world;
    let worlds = session.worlds();
    let before = session.rig.skins[skin].inverse_bind.clone().unwrap_or_default();
    let mut list = Vec::with_capacity(nodes.len());
    for (slot, node) in nodes.iter().enumerate() {
        if only.as_ref().is_some_and(|list| !list.contains(&node.index()))
            && let Some(kept) = before.get(slot)
        {
            list.push(*kept);
            continue;
        }
        let world = worlds[node.index()];
        let inverse = world.inverse();
        if world.determinant() == 0.0 || !inverse.is_finite() || !space.is_finite() {
            return Err("a joint has a rest transform that cannot be inverted".into());
        }
        let mut bind = inverse * space;
        // The last row of an affine matrix, exactly.
        (bind.x_axis.w, bind.y_axis.w, bind.z_axis.w, bind.w_axis.w) = (0.0, 0.0, 0.0, 1.0);
        list.push(bind);
    }
    let rounded = |m: &DMat4| m.to_cols_array().map(|c| (c as f32).to_bits());
    if list.len() <= before.len() && list.iter().zip(&before).all(|(a, b)| rounded(a) == rounded(b)) {
        return Ok(false);
    }
    // Matrices beyond the joints belong to nobody, and stay.
    list.extend(before.into_iter().skip(nodes.len()));
    session.binds.insert(skin, list);
    Ok(true)
}

/// Puts the joints of a skin back into the pose it was bound in.
pub(super) fn restore_rest(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let skin = arguments.index("skin")?;
    let rig = session.rig;
    let nodes = claim_all(session, skin)?;
    let binds = session.binds(skin)?;
    let space = session.facts.bind().skins[skin].mesh_to_world;
    let mut wanted = vec![None; rig.nodes.len()];
    for (node, bind) in nodes.iter().zip(&binds) {
        let inverse = bind.inverse();
        if bind.determinant() != 0.0 && inverse.is_finite() {
            wanted[node.index()] = Some(space * inverse);
        }
    }
    let animated = |node: NodeId| {
        rig.clips.iter().flat_map(|clip| &clip.channels).any(|channel| channel.node == Some(node))
    };
    let s = session.facts.s();
    let mut worlds = session.worlds();
    let mut locals = Vec::new();
    let mut open: Vec<NodeId> = (0..rig.nodes.len())
        .map(NodeId::new)
        .filter(|node| rig.nodes[node.index()].parent.is_none())
        .collect();
    while let Some(node) = open.pop() {
        let above = rig.nodes[node.index()].parent.map_or(DMat4::IDENTITY, |up| worlds[up.index()]);
        let old = session.local(node.index());
        let mut local = old;
        if let Some(target) = wanted[node.index()]
            && above.determinant() != 0.0
        {
            let m = above.inverse() * target;
            if !near(&(above * matrix(&old)), &target, s) && m.is_finite() {
                local = match (old, decompose(m)) {
                    (Local::Trs { rotation, scale, .. }, Some((t, mut r, mut size))) => {
                        if r.dot(DQuat::from_array(rotation)) < 0.0 {
                            r = -r;
                        }
                        if size.abs_diff_eq(scale, 1e-5 * scale.abs().max_element()) {
                            size = scale;
                        }
                        Local::Trs { translation: t, rotation: r.to_array(), scale: size }
                    }
                    (Local::Trs { .. }, None) if animated(node) => {
                        return Err("the bind pose shears a joint that a clip drives".into());
                    }
                    _ if square(&m) => Local::Matrix(m),
                    // glTF 2.0 §3.5.3: a node's matrix is made of translation, rotation and scale.
                    _ => return Err("the bind pose shears a joint, which no node can be".into()),
                };
                locals.push((node.index(), local));
            }
        }
        worlds[node.index()] = above * matrix(&local);
        open.extend(rig.nodes[node.index()].children.iter().copied());
    }
    let changed = !locals.is_empty();
    session.locals.extend(locals);
    Ok(changed)
}

/// The same place, turn and size.
fn near(a: &DMat4, b: &DMat4, s: f64) -> bool {
    let size = b.x_axis.length().max(b.y_axis.length()).max(b.z_axis.length());
    let linear = [(a.x_axis, b.x_axis), (a.y_axis, b.y_axis), (a.z_axis, b.z_axis)];
    a.w_axis.distance(b.w_axis) <= SAME_PLACE * s
        && linear.iter().all(|(a, b)| a.distance(*b) <= SAME_TURN * size)
}

/// Translation, rotation, scale, where the matrix is made of them.
pub(super) fn decompose(m: DMat4) -> Option<(DVec3, DQuat, DVec3)> {
    let columns = [m.x_axis, m.y_axis, m.z_axis].map(|c| c.truncate());
    let scale = DVec3::from_array(columns.map(DVec3::length));
    let [x, y, z] = columns.map(|c| c.try_normalize());
    let basis = DMat3::from_cols(x?, y?, z?);
    (basis.determinant() > 0.0 && square(&m))
        .then(|| (m.w_axis.truncate(), DQuat::from_mat3(&basis).normalize(), scale))
}

/// Whether the axes of a transform stand square to each other, so that a node can be placed by it.
pub(super) fn square(m: &DMat4) -> bool {
    let axes = [m.x_axis, m.y_axis, m.z_axis].map(|c| c.truncate().try_normalize());
    let [Some(x), Some(y), Some(z)] = axes else { return false };
    [x.dot(y), y.dot(z), z.dot(x)].into_iter().all(|cosine| cosine.abs() < 1e-4)
}

/// Drops `skin.skeleton`, which plays no part in the maths, of one skin or several.
pub(super) fn remove_skeleton(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let skins = match arguments.optional_index("skin") {
        Some(skin) => vec![skin],
        None => arguments.indices("skins")?,
    };
    let mut changed = false;
    for skin in skins {
        let pointer = format!("/skins/{skin}/skeleton");
        if session.document.has(&pointer) {
            session.document.remove(&pointer).map_err(Stop::Refused)?;
            changed = true;
        }
    }
    Ok(changed)
}

impl Session<'_> {
    /// Changed inverse bind matrices into payloads.
    pub(super) fn settle_binds(&mut self) {
        for (skin, list) in std::mem::take(&mut self.binds) {
            let values: Vec<f32> = list.iter().flat_map(|m| m.to_cols_array()).map(|c| c as f32).collect();
            let payload = Payload::floats(&values, "MAT4", false);
            self.payloads.insert(format!("/skins/{skin}/inverseBindMatrices"), payload);
        }
    }
}
