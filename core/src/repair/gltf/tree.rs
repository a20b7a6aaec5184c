//! Repairs of what hangs from what. A node that comes to hang elsewhere stays where it is, at rest and at every moment of
//! every clip, and so does all that hangs below it; bind matrices stay as they are.

use std::collections::{BTreeMap, BTreeSet};

use glam::{DMat4, DQuat, DVec3};
use serde_json::json;

use super::arguments::Arguments;
use super::bind::{decompose, square};
use super::frames::matrix;
use super::keys::{Keys, Tracks};
use super::motion::Knots;
use super::store::whole;
use super::{Done, Session, Stop};
use crate::model::{ChannelPath, Local};

/// Transforms this near to each other are one: a share of their largest number.
const SAME: f64 = 1e-9;
/// A property this near to its rest all through a clip needs no channel.
const STILL: f64 = 1e-7;

/// Hangs nodes from other nodes, or from the scene.
pub(super) fn reparent(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut wanted: BTreeMap<usize, Option<usize>> = BTreeMap::new();
    for one in arguments.list("nodes")? {
        let node = session.node(one.index("node")?)?.index();
        let parent = match one.index_or_null("parent")? {
            Some(parent) => Some(session.node(parent)?.index()),
            None => None,
        };
        wanted.insert(node, parent);
    }
    wanted.retain(|node, parent| session.parent(*node) != *parent);
    if wanted.is_empty() {
        return Ok(false);
    }
    no_loop(session, &wanted)?;
    for (node, parent) in &wanted {
        same_scenes(session, *node, *parent)?;
        session.claim_frame(*node)?;
        if parent.is_none() || session.parent(*node).is_none() {
            // Others may do the same; what puts the whole scene elsewhere may not.
            session.claim("/scenes".into(), Some(json!("reparent")))?;
        }
    }
    let worlds = session.worlds();
    let mut locals = Vec::with_capacity(wanted.len());
    for (node, parent) in &wanted {
        locals.push((*node, local_below(session, *node, *parent, &worlds)?));
    }
    let keys = rekey(session, &wanted, &locals)?;
    // While some hang elsewhere and others not yet, the way up may lead round.
    let shown: Vec<Vec<usize>> = wanted.keys().map(|node| scenes(session, *node)).collect();
    for ((node, parent), shown) in wanted.into_iter().zip(shown) {
        hang(session, node, parent, &shown)?;
    }
    session.locals.extend(locals);
    session.keys.extend(keys);
    Ok(true)
}

fn name(session: &Session<'_>, node: usize) -> String {
    session.rig.nodes[node].name.clone().unwrap_or_else(|| format!("node {node}"))
}

fn no_loop(session: &Session<'_>, wanted: &BTreeMap<usize, Option<usize>>) -> Result<(), Stop> {
    let up = |node: usize| wanted.get(&node).copied().unwrap_or_else(|| session.parent(node));
    let mut sound = BTreeSet::new();
    for node in wanted.keys() {
        let mut path = BTreeSet::new();
        let mut at = Some(*node);
        while let Some(here) = at.filter(|here| !sound.contains(here)) {
            if !path.insert(here) {
                return Err(format!("{} would hang from itself", name(session, here)).into());
            }
            at = up(here);
        }
        sound.extend(path);
    }
    Ok(())
}

/// The scenes that show a node.
fn scenes(session: &Session<'_>, node: usize) -> Vec<usize> {
    let mut top = node;
    while let Some(up) = session.parent(top) {
        top = up;
    }
    let roots = session.rig.scene_roots.iter().enumerate();
    // A root that this pass has hung elsewhere has another top by now.
    roots.filter(|(_, roots)| roots.iter().any(|root| root.index() == top)).map(|(scene, _)| scene).collect()
}

fn same_scenes(session: &Session<'_>, node: usize, parent: Option<usize>) -> Result<(), Stop> {
    let Some(parent) = parent else { return Ok(()) };
    let there = scenes(session, parent);
    if scenes(session, node).iter().all(|scene| there.contains(scene)) {
        return Ok(());
    }
    Err(format!("{} is in a scene that {} is not in", name(session, node), name(session, parent)).into())
}

/// The local transform that leaves a node where it is.
fn local_below(
    session: &Session<'_>,
    node: usize,
    parent: Option<usize>,
    worlds: &[DMat4],
) -> Result<Local, Stop> {
    let above = parent.map_or(DMat4::IDENTITY, |up| worlds[up]);
    let m = above.inverse() * worlds[node];
    if above.determinant() == 0.0 || !m.is_finite() {
        return Err(
            format!("the place of {} cannot be told from its new parent's", name(session, node)).into()
        );
    }
    let sheared = || Stop::Refused(format!("{} would be sheared, which no node can be", name(session, node)));
    match session.local(node) {
        Local::Matrix(_) if square(&m) => Ok(Local::Matrix(m)),
        Local::Matrix(_) => Err(sheared()),
        Local::Trs { rotation, scale, .. } => {
            let (translation, mut turn, mut size) = decompose(m).ok_or_else(sheared)?;
            if turn.dot(DQuat::from_array(rotation)) < 0.0 {
                turn = -turn;
            }
            if size.abs_diff_eq(scale, SAME * scale.abs().max_element()) {
                size = scale;
            }
            Ok(Local::Trs { translation, rotation: turn.to_array(), scale: size })
        }
    }
}

/// A way up the tree in one clip, with what moves each node of it.
struct Way(Vec<(Local, Tracks)>);

impl Way {
    fn of(
        session: &Session<'_>,
        clip: usize,
        by_node: &BTreeMap<usize, Vec<usize>>,
        nodes: &[usize],
    ) -> Result<Self, Stop> {
        let none = Vec::new();
        nodes
            .iter()
            .map(|node| {
                let channels = by_node.get(node).unwrap_or(&none);
                Ok((session.local(*node), session.tracks(clip, *node, channels)?))
            })
            .collect::<Result<_, Stop>>()
            .map(Self)
    }

    /// The transform from the lowest node into what lies above the highest.
    fn at(&self, time: f64) -> DMat4 {
        self.0.iter().fold(DMat4::IDENTITY, |below, (local, tracks)| {
            let mut here = *local;
            if let Local::Trs { translation, rotation, scale } = &mut here {
                for (order, (_, keys)) in tracks {
                    match order {
                        0 => *translation = keys.vector(time),
                        1 => *rotation = keys.at(time),
                        _ => *scale = keys.vector(time),
                    }
                }
            }
            matrix(&here) * below
        })
    }

    fn rest(&self) -> DMat4 {
        self.0.iter().fold(DMat4::IDENTITY, |below, (local, _)| matrix(local) * below)
    }

    fn keys(&self) -> impl Iterator<Item = &Keys> {
        self.0.iter().flat_map(|(_, tracks)| tracks.values().map(|(_, keys)| keys))
    }
}

type NewKeys = BTreeMap<(usize, usize), Keys>;

/// Keys of the nodes that come to hang elsewhere.
fn rekey(
    session: &Session<'_>,
    wanted: &BTreeMap<usize, Option<usize>>,
    locals: &[(usize, Local)],
) -> Result<NewKeys, Stop> {
    let mut out = BTreeMap::new();
    for clip in 0..session.rig.clips.len() {
        let by_node = session.movers(clip);
        let mut next = session.next_channel(clip);
        for ((node, parent), (_, rest)) in wanted.iter().zip(locals) {
            let (old, new) = apart(session, *node, *parent);
            let own = Way::of(session, clip, &by_node, &[*node])?;
            let (old, new) =
                (Way::of(session, clip, &by_node, &old)?, Way::of(session, clip, &by_node, &new)?);
            let held = old.keys().chain(new.keys()).all(Keys::constant);
            let between = new.rest().inverse() * old.rest();
            let start = new.at(0.0).inverse() * old.at(0.0);
            let own_tracks = &own.0[0].1;
            if held && near(&between, &start) {
                if own_tracks.is_empty() || near(&between, &DMat4::IDENTITY) {
                    continue;
                }
                if let Some((offset, turn, size)) = decompose(between)
                    && (size.max_element() - size.min_element()) <= SAME * size.max_element()
                {
                    for (channel, keys) in own_tracks.values() {
                        out.insert((clip, *channel), carried(keys, offset, turn, size.x));
                    }
                    continue;
                }
            }
            let sources: Vec<&Keys> = own.keys().chain(old.keys()).chain(new.keys()).collect();
            let knots = Knots::of(&sources)?;
            let at = |time: f64| {
                let inverse = new.at(time).inverse();
                decompose(inverse * old.at(time) * own.at(time)).filter(|(t, _, _)| t.is_finite())
            };
            let Local::Trs { translation, rotation, scale } = rest else {
                return Err(format!(
                    "{} is placed by a matrix, which no clip can move",
                    name(session, *node)
                )
                .into());
            };
            if knots.times().any(|time| at(time).is_none()) {
                return Err(format!("a clip would shear {}", name(session, *node)).into());
            }
            let path = [ChannelPath::Translation, ChannelPath::Rotation, ChannelPath::Scale];
            // Between two keys there may be a moment without size: then the value at rest stands in.
            let found = |time: f64| at(time).unwrap_or((*translation, DQuat::from_array(*rotation), *scale));
            let made = [
                knots.through(path[0], |time| found(time).0.to_array()),
                knots.through(path[1], |time| found(time).1.to_array()),
                knots.through(path[2], |time| found(time).2.to_array()),
            ];
            for (order, mut keys) in made.into_iter().enumerate() {
                let there = own_tracks.get(&(order as u8));
                let still = match order {
                    0 => stays(&keys, &translation.to_array()),
                    1 => stays(&keys, rotation),
                    _ => stays(&keys, &scale.to_array()),
                };
                if there.is_none() && still {
                    continue;
                }
                let channel = match there {
                    Some((channel, before)) => {
                        keys.new_for = before.new_for;
                        *channel
                    }
                    None => {
                        keys.new_for = Some(*node);
                        next += 1;
                        next - 1
                    }
                };
                out.insert((clip, channel), keys);
            }
        }
    }
    Ok(out)
}

/// The ways from a node's old parent and from its new one up to what both hang from.
fn apart(session: &Session<'_>, node: usize, parent: Option<usize>) -> (Vec<usize>, Vec<usize>) {
    let up = |from: Option<usize>| -> Vec<usize> {
        std::iter::successors(from, |at| session.parent(*at)).collect()
    };
    let (mut old, mut new) = (up(session.parent(node)), up(parent));
    while let (Some(a), Some(b)) = (old.last(), new.last())
        && a == b
    {
        old.pop();
        new.pop();
    }
    (old, new)
}

fn near(a: &DMat4, b: &DMat4) -> bool {
    let size = b.to_cols_array().iter().map(|c| c.abs()).fold(1.0, f64::max);
    a.abs_diff_eq(*b, SAME * size)
}

/// Keys under one turn, move and scale.
fn carried(keys: &Keys, offset: DVec3, turn: DQuat, size: f64) -> Keys {
    let mut keys = keys.clone();
    let path = keys.path;
    keys.change(|value, is_value| match path {
        ChannelPath::Translation => {
            let t = turn * (size * DVec3::new(value[0], value[1], value[2]));
            let t = if is_value { t + offset } else { t };
            value[..3].copy_from_slice(&t.to_array());
        }
        ChannelPath::Rotation => *value = (turn * DQuat::from_array(*value)).to_array(),
        _ => *value = value.map(|c| c * size),
    });
    keys
}

fn stays(keys: &Keys, rest: &[f64]) -> bool {
    let size = rest.iter().map(|c| c.abs()).fold(1e-3, f64::max);
    keys.times.iter().all(|time| {
        let value = keys.at(f64::from(*time));
        let sign = if rest.len() == 4 && value.iter().zip(rest).map(|(a, b)| a * b).sum::<f64>() < 0.0 {
            -1.0
        } else {
            1.0
        };
        value.iter().zip(rest).all(|(a, b)| (sign * a - b).abs() <= STILL * size)
    })
}

/// The document's lists: out of the old one, into the new; `shown` are the scenes that show the node.
fn hang(session: &mut Session<'_>, node: usize, parent: Option<usize>, shown: &[usize]) -> Result<(), Stop> {
    match session.parent(node) {
        Some(up) => take_out(session, &format!("/nodes/{up}/children"), node)?,
        None => {
            for scene in shown {
                take_out(session, &format!("/scenes/{scene}/nodes"), node)?;
            }
        }
    }
    let lists = match parent {
        Some(up) => vec![format!("/nodes/{up}/children")],
        None => shown.iter().map(|scene| format!("/scenes/{scene}/nodes")).collect(),
    };
    for list in lists {
        if session.document.has(&list) {
            session.document.push(&list, &json!(node)).map_err(Stop::Refused)?;
        } else {
            session.document.set(&list, &json!([node])).map_err(Stop::Refused)?;
        }
    }
    session.parents.insert(node, parent);
    Ok(())
}

/// An empty list is no valid one: the last node takes it along.
fn take_out(session: &mut Session<'_>, list: &str, node: usize) -> Result<(), Stop> {
    let there = session.document.value(list);
    let items = there.as_ref().and_then(serde_json::Value::as_array).map_or(&[][..], Vec::as_slice);
    let Some(at) = items.iter().position(|item| whole(item) == Some(node as u64)) else { return Ok(()) };
    let gone = if items.len() == 1 { list.to_owned() } else { format!("{list}/{at}") };
    session.document.remove(&gone).map_err(Stop::Refused)
}

/// Moves nodes that draw a skinned mesh to the roots of their scenes, where the transform that the skin ignores is the
/// one that the skin draws them at.
pub(super) fn move_to_root(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let listed = match arguments.optional_index("node") {
        Some(node) => vec![node],
        None => arguments.indices("nodes")?,
    };
    let mut moves = Vec::with_capacity(listed.len());
    for index in listed {
        let node = session.node(index)?;
        let it = &session.rig.nodes[node.index()];
        let Some(skin) = it.skin.filter(|_| it.mesh.is_some()) else {
            return Err("the node draws no skinned mesh".into());
        };
        if !it.children.is_empty() || it.joint.is_some() || it.camera_or_light {
            return Err("something hangs from the node".into());
        }
        // Where the joints draw it at rest; in another pose, the space that it was bound in.
        let place = session
            .facts
            .rest_space(&session.rig.skins[skin.index()])
            .unwrap_or(session.facts.bind().skins[skin.index()].mesh_to_world);
        let local = match decompose(place) {
            _ if !place.is_finite() => return Err("the skin's place cannot be told".into()),
            Some((translation, rotation, scale)) => {
                Local::Trs { translation, rotation: rotation.to_array(), scale }
            }
            None if square(&place) => Local::Matrix(place),
            None => return Err("the skin's place is sheared, which no node can be".into()),
        };
        session.claim_frame(node.index())?;
        moves.push((node.index(), local));
    }
    session.claim("/scenes".into(), Some(json!("reparent")))?;
    for (node, local) in moves {
        if session.parent(node).is_some() {
            let shown = scenes(session, node);
            hang(session, node, None, &shown)?;
        }
        session.locals.insert(node, local);
    }
    Ok(true)
}
