//! Repairs of joints' frames: turned, moved or scaled, while everything else stays where it is.
//!
//! A joint's frame W becomes W·C with one constant C in the joint's own space. Then its local transform L becomes L·C,
//! its children's C⁻¹·L, and its inverse bind matrices C⁻¹·B: the product W·C·C⁻¹·B that moves the skin is the same at
//! every moment, and so is the world transform of every child. Keys follow the same two rules.

use std::collections::{BTreeMap, BTreeSet};

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::arguments::Arguments;
use super::keys::Keys;
use super::motion::Knots;
use super::{Done, Session, Stop};
use crate::finding::round;
use crate::model::{ChannelPath, JointId, Local};

/// C: translate(offset) · turn · scale.
#[derive(Debug, Clone, Copy)]
pub(super) struct Change {
    offset: DVec3,
    turn: DQuat,
    scale: f64,
}

impl Change {
    const NONE: Self = Self { offset: DVec3::ZERO, turn: DQuat::IDENTITY, scale: 1.0 };

    fn inverse(&self) -> DMat4 {
        DMat4::from_scale_rotation_translation(DVec3::splat(self.scale), self.turn, self.offset).inverse()
    }

    fn turns(&self) -> bool {
        self.turn.angle_between(DQuat::IDENTITY) > 1e-12
    }
}

/// Changes of a local transform from above (`outer`⁻¹ ·) and from below (· `inner`).
#[derive(Clone, Copy)]
struct Both {
    outer: Change,
    inner: Change,
}

impl Both {
    fn translation(&self, t: DVec3, r: DQuat, s: DVec3) -> DVec3 {
        self.outer.turn.inverse() * (t + r * (s * self.inner.offset) - self.outer.offset) / self.outer.scale
    }

    fn rotation(&self, r: DQuat) -> DQuat {
        self.outer.turn.inverse() * r * self.inner.turn
    }

    fn factor(&self) -> f64 {
        self.inner.scale / self.outer.scale
    }
}

/// T · R · S, with the rotation brought to unit length where it has a direction.
pub(super) fn matrix(local: &Local) -> DMat4 {
    match local {
        Local::Matrix(matrix) => *matrix,
        Local::Trs { translation, rotation, scale } => {
            DMat4::from_scale_rotation_translation(*scale, unit(*rotation), *translation)
        }
    }
}

fn unit(rotation: [f64; 4]) -> DQuat {
    let turn = DQuat::from_array(rotation);
    let length = turn.length();
    if length > 1e-12 && length.is_finite() { turn / length } else { DQuat::IDENTITY }
}

fn uniform(scale: DVec3) -> bool {
    (scale.max_element() - scale.min_element()).abs() <= 1e-6 * scale.abs().max_element()
}

/// Applies changes of frames.
pub(super) fn reframe(session: &mut Session<'_>, changes: &BTreeMap<usize, Change>) -> Done {
    let rig = session.rig;
    let change = |node: usize| changes.get(&node).copied().unwrap_or(Change::NONE);
    let mut affected: BTreeSet<usize> = changes.keys().copied().collect();
    affected.extend(changes.keys().flat_map(|node| rig.nodes[*node].children.iter().map(|c| c.index())));
    let both = |node: usize| Both {
        outer: rig.nodes[node].parent.map_or(Change::NONE, |up| change(up.index())),
        inner: change(node),
    };
    let mut locals = BTreeMap::new();
    for node in &affected {
        let it = &rig.nodes[*node];
        let name = it.name.as_deref().map_or_else(|| format!("node {node}"), str::to_owned);
        if changes.contains_key(node) && ((it.mesh.is_some() && it.skin.is_none()) || it.camera_or_light) {
            return Err(format!("{name} draws something itself, which would move along").into());
        }
        let both = both(*node);
        let local = match session.local(*node) {
            Local::Matrix(m) => {
                let inner = both.inner.inverse().inverse();
                Local::Matrix(both.outer.inverse() * m * inner)
            }
            Local::Trs { translation, rotation, scale } => {
                if both.inner.turns() && !uniform(scale) {
                    return Err(format!("{name} is scaled differently along its axes").into());
                }
                let turn = unit(rotation);
                let mut turned = both.rotation(turn).normalize();
                if turned.dot(turn) < 0.0 {
                    turned = -turned;
                }
                Local::Trs {
                    translation: both.translation(translation, turn, scale),
                    rotation: turned.to_array(),
                    scale: scale * both.factor(),
                }
            }
        };
        if !matrix(&local).is_finite() {
            return Err(format!("{name} has a transform that is not finite").into());
        }
        locals.insert(*node, local);
    }
    let mut binds = BTreeMap::new();
    for (index, skin) in rig.skins.iter().enumerate() {
        let mut list = None;
        for (slot, joint) in skin.joints.iter().enumerate() {
            let Some(node) = rig.joints[joint.index()].node else { continue };
            if let Some(change) = changes.get(&node.index()) {
                if list.is_none() {
                    list = Some(session.binds(index)?);
                }
                if let Some(bind) = list.as_mut().and_then(|list| list.get_mut(slot)) {
                    *bind = change.inverse() * *bind;
                }
            }
        }
        if let Some(list) = list {
            binds.insert(index, list);
        }
    }
    let keys = rekey(session, &affected, &both)?;
    session.locals.extend(locals);
    session.binds.extend(binds);
    session.keys.extend(keys);
    Ok(true)
}

type NewKeys = BTreeMap<(usize, usize), Keys>;

fn rekey(
    session: &Session<'_>,
    affected: &BTreeSet<usize>,
    both: &impl Fn(usize) -> Both,
) -> Result<NewKeys, Stop> {
    let mut out = BTreeMap::new();
    for (clip, it) in session.rig.clips.iter().enumerate() {
        let mut by_node = session.movers(clip);
        by_node.retain(|node, _| affected.contains(node));
        let mut next = session.next_channel(clip);
        for (node, channels) in by_node {
            let both = both(node);
            let Local::Trs { translation, rotation, scale } = session.local(node) else { continue };
            let tracks = session.tracks(clip, node, &channels)?;
            let moving = |order: u8| tracks.get(&order).map(|(_, keys)| keys).filter(|keys| !keys.constant());
            if both.inner.turns()
                && tracks.get(&2).is_some_and(|(_, keys)| {
                    keys.values
                        .chunks_exact(3)
                        .any(|s| !uniform(DVec3::new(s[0].into(), s[1].into(), s[2].into())))
                })
            {
                return Err("a clip scales a joint differently along its axes".into());
            }
            let follows = both.inner.offset != DVec3::ZERO && (moving(1).is_some() || moving(2).is_some());
            let start = |order: u8| tracks.get(&order).map(|(_, keys)| keys);
            let still_turn = start(1).map_or_else(|| unit(rotation), |keys| keys.turn(0.0));
            let still_scale = start(2).map_or(scale, |keys| keys.vector(0.0));
            if follows {
                let at = |time: f64| {
                    let t = start(0).map_or(translation, |keys| keys.vector(time));
                    let r = start(1).map_or_else(|| unit(rotation), |keys| keys.turn(time));
                    let s = start(2).map_or(scale, |keys| keys.vector(time));
                    both.translation(t, r, s)
                };
                let sources: Vec<&Keys> = (0..3).filter_map(moving).collect();
                let mut keys =
                    Knots::of(&sources)?.through(ChannelPath::Translation, |time| at(time).to_array());
                let channel = match start(0) {
                    Some(_) => tracks[&0].0,
                    None => {
                        keys.new_for = Some(node);
                        next += 1;
                        next - 1
                    }
                };
                if channel >= it.channels.len() {
                    keys.new_for = Some(node);
                }
                out.insert((clip, channel), keys);
            } else if let Some((channel, keys)) = tracks.get(&0) {
                let mut keys = keys.clone();
                keys.change(|value, is_value| {
                    let t = DVec3::new(value[0], value[1], value[2]);
                    let t = if is_value {
                        both.translation(t, still_turn, still_scale)
                    } else {
                        both.outer.turn.inverse() * t / both.outer.scale
                    };
                    value[..3].copy_from_slice(&t.to_array());
                });
                out.insert((clip, *channel), keys);
            }
            if let Some((channel, keys)) = tracks.get(&1) {
                let mut keys = keys.clone();
                keys.change(|value, _| *value = both.rotation(DQuat::from_array(*value)).to_array());
                out.insert((clip, *channel), keys);
            }
            if let Some((channel, keys)) = tracks.get(&2)
                && both.factor() != 1.0
            {
                let mut keys = keys.clone();
                keys.change(|value, _| *value = value.map(|c| c * both.factor()));
                out.insert((clip, *channel), keys);
            }
        }
    }
    Ok(out)
}

/// The bind frame of a joint's node: columns with their lengths.
fn bind_matrix(session: &Session<'_>, node: usize) -> Result<DMat4, Stop> {
    let joint = joint(session, node)?;
    let frame = &session.facts.bind().joints[joint.index()];
    let basis = DMat3::from_cols(
        frame.basis.x_axis * frame.scale.x,
        frame.basis.y_axis * frame.scale.y,
        frame.basis.z_axis * frame.scale.z,
    );
    let matrix = DMat4::from_mat3_translation(basis, frame.origin);
    if matrix.is_finite() && matrix.determinant() != 0.0 {
        Ok(matrix)
    } else {
        Err("its bind matrix cannot be inverted".into())
    }
}

fn joint(session: &Session<'_>, node: usize) -> Result<JointId, Stop> {
    let node = session.node(node)?;
    session.rig.nodes[node.index()].joint.ok_or_else(|| Stop::Refused(format!("node {} is no joint", node.0)))
}

/// Turns joints to the orientation at bind that they are given.
pub(super) fn orient(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut changes = BTreeMap::new();
    for one in arguments.list("nodes")? {
        let node = one.index("node")?;
        let frame = session.facts.bind().joints[joint(session, node)?.index()];
        if (frame.basis.determinant() - 1.0).abs() > 1e-3 {
            return Err("its bind matrix is mirrored or sheared".into());
        }
        let turn = DQuat::from_mat3(&frame.basis).normalize().inverse() * one.rotation("bind_orientation")?;
        session.claim_frame(node)?;
        changes.insert(node, Change { turn: turn.normalize(), ..Change::NONE });
    }
    turned(session, changes)
}

/// Turns joints about an axis of their own.
pub(super) fn twist(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let axis = arguments.unit("axis")?;
    let mut changes = BTreeMap::new();
    for one in arguments.list("nodes")? {
        let node = one.index("node")?;
        joint(session, node)?;
        session.claim_frame(node)?;
        let turn = DQuat::from_axis_angle(axis, one.number("degrees")?.to_radians());
        changes.insert(node, Change { turn, ..Change::NONE });
    }
    turned(session, changes)
}

fn turned(session: &mut Session<'_>, mut changes: BTreeMap<usize, Change>) -> Done {
    changes.retain(|_, change| change.turn.angle_between(DQuat::IDENTITY).to_degrees() > 1e-4);
    if changes.is_empty() { Ok(false) } else { reframe(session, &changes) }
}

fn moved(session: &mut Session<'_>, targets: &[(usize, DVec3)]) -> Done {
    let least = 1e-7 * session.facts.s();
    let mut changes = BTreeMap::new();
    for (node, to) in targets {
        let bind = bind_matrix(session, *node)?;
        session.claim_frame(*node)?;
        if bind.w_axis.truncate().distance(*to) > least {
            changes.insert(*node, Change { offset: bind.inverse().transform_point3(*to), ..Change::NONE });
        }
    }
    if changes.is_empty() { Ok(false) } else { reframe(session, &changes) }
}

/// Moves joints at bind; their children and the skin stay.
pub(super) fn move_origin(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut targets = Vec::new();
    for one in arguments.list("nodes")? {
        targets.push((one.index("node")?, one.vector("to")?));
    }
    moved(session, &targets)
}

/// Moves joints onto the mirror image of others.
pub(super) fn mirror_origin(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let (normal, offset) = (arguments.unit("normal")?, arguments.number("offset")?);
    let mut targets = Vec::new();
    for pair in arguments.list("pairs")? {
        let (from, to) = (pair.index("from")?, pair.index("to")?);
        if let Some(clash) = session.touched.clash(&format!("/nodes/{from}/frame"), None) {
            return Err(Stop::Clash(clash));
        }
        let point = bind_matrix(session, from)?.w_axis.truncate();
        targets.push((to, point - 2.0 * (normal.dot(point) - offset) * normal));
    }
    moved(session, &targets)
}

/// Takes a joint's own scale out of its local transform; what hangs below carries it on, and the bind matrices with it.
pub(super) fn bake_scale(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let rig = session.rig;
    let listed: BTreeSet<usize> = arguments.indices("nodes")?.into_iter().collect();
    let mut changes: BTreeMap<usize, Change> = BTreeMap::new();
    let mut open: Vec<usize> = Vec::new();
    for node in &listed {
        session.node(*node)?;
        // Those below another listed one are reached from it.
        let below = std::iter::successors(rig.nodes[*node].parent, |up| rig.nodes[up.index()].parent)
            .any(|up| listed.contains(&up.index()));
        if !below {
            open.push(*node);
        }
    }
    while let Some(node) = open.pop() {
        let it = &rig.nodes[node];
        let above = it.parent.and_then(|up| changes.get(&up.index())).map_or(1.0, |change| change.scale);
        let drawn = (it.mesh.is_some() && it.skin.is_none()) || it.camera_or_light;
        let Local::Trs { scale, .. } = session.local(node) else {
            if listed.contains(&node) {
                return Err("its transform is a matrix".into());
            }
            continue;
        };
        let factor = if listed.contains(&node) {
            if !uniform(scale) || scale.x <= 0.0 {
                return Err("it is scaled differently along its axes, or mirrored".into());
            }
            above / scale.x
        } else if drawn {
            continue;
        } else {
            above
        };
        session.claim_frame(node)?;
        changes.insert(node, Change { scale: factor, ..Change::NONE });
        open.extend(it.children.iter().map(|child| child.index()));
    }
    changes.retain(|_, change| (change.scale - 1.0).abs() > 1e-9);
    if changes.is_empty() { Ok(false) } else { reframe(session, &changes) }
}

/// Scales a node's rotation to unit length.
pub(super) fn normalise_rotation(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let node = session.node(arguments.index("node")?)?.index();
    let Local::Trs { translation, rotation, scale } = session.local(node) else { return Ok(false) };
    let length = rotation.iter().map(|c| c * c).sum::<f64>().sqrt();
    if !(length.is_finite() && length > 1e-6) {
        return Err("its rotation has no direction".into());
    }
    if (length - 1.0).abs() < 1e-9 {
        return Ok(false);
    }
    let rotation = rotation.map(|c| c / length);
    session.locals.insert(node, Local::Trs { translation, rotation, scale });
    Ok(true)
}

impl Session<'_> {
    /// Changed local transforms into JSON.
    pub(super) fn settle_nodes(&mut self) {
        for (node, local) in std::mem::take(&mut self.locals) {
            let before = self.rig.nodes[node].local;
            let mut put = |key: &str, old: &[f64], new: &[f64], absent: &[f64]| {
                let near = |a: f64, b: f64| (a - b).abs() <= 1e-10 * (1.0 + a.abs());
                let pointer = format!("/nodes/{node}/{key}");
                let there = self.document.has(&pointer);
                if !there && new.iter().zip(absent).all(|(a, b)| near(*a, *b)) {
                    return;
                }
                let list: Vec<Value> = new
                    .iter()
                    .zip(old)
                    // What does not move keeps its number.
                    .map(|(new, old)| json!(if there && near(*new, *old) { *old } else { round(*new) }))
                    .collect();
                // The node is there: its number was read from this document.
                let _ = self.document.set(&pointer, &Value::Array(list));
            };
            match (local, before) {
                (
                    Local::Trs { translation, rotation, scale },
                    Local::Trs { translation: t, rotation: r, scale: s },
                ) => {
                    put("translation", &t.to_array(), &translation.to_array(), &[0.0; 3]);
                    put("rotation", &r, &rotation, &[0.0, 0.0, 0.0, 1.0]);
                    put("scale", &s.to_array(), &scale.to_array(), &[1.0; 3]);
                }
                (Local::Matrix(new), Local::Matrix(old)) => {
                    put("matrix", &old.to_cols_array(), &new.to_cols_array(), &[]);
                }
                (Local::Trs { translation, rotation, scale }, Local::Matrix(_)) => {
                    let _ = self.document.remove(&format!("/nodes/{node}/matrix"));
                    self.put_new(node, "translation", &translation.to_array());
                    self.put_new(node, "rotation", &rotation);
                    self.put_new(node, "scale", &scale.to_array());
                }
                (Local::Matrix(new), Local::Trs { .. }) => {
                    for key in ["translation", "rotation", "scale"] {
                        let _ = self.document.remove(&format!("/nodes/{node}/{key}"));
                    }
                    self.put_new(node, "matrix", &new.to_cols_array());
                }
            }
        }
    }

    fn put_new(&mut self, node: usize, key: &str, list: &[f64]) {
        let list: Vec<f64> = list.iter().map(|number| round(*number)).collect();
        let _ = self.document.set(&format!("/nodes/{node}/{key}"), &json!(list));
    }
}
