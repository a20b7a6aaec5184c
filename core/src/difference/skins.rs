//! What became of the skins and of the weights of the meshes that they carry.

use std::collections::{BTreeMap, BTreeSet};

use glam::DMat4;

use super::skeleton::Compared;
use super::{JointWeight, SkinChange, SkinChanges, WeightChange};
use crate::check::Labels;
use crate::finding::{Subject, round};
use crate::model::{JointId, Mesh, MeshId, Primitive, Rig, Skin, SkinId};

/// Weights closer than this are the same: storing them in a byte moves each by up to half of 1/255, and making them sum
/// to one again by as much.
const SAME_WEIGHT: f64 = 0.005;
/// Bind matrices whose numbers are closer than this turn nothing that anybody sees.
const SAME_AXIS: f64 = 1e-3;
/// Joints told of a list; the rest is only counted.
const MOST_NAMED: usize = 50;

impl Compared<'_> {
    /// What became of the skins, and of the weights of each mesh that is on both sides.
    pub(super) fn skins(&self) -> (SkinChanges, Vec<WeightChange>) {
        let (old, new) = (Labels::new(self.before), Labels::new(self.now));
        let skin = |labels: &Labels, at: usize| labels.name(&Subject::Skin(SkinId::new(at)));
        let mesh = |labels: &Labels, at: usize| labels.name(&Subject::Mesh(MeshId::new(at)));
        let names = |count: usize, name: &dyn Fn(usize) -> String| (0..count).map(name).collect::<Vec<_>>();
        let skins = (
            names(self.before.skins.len(), &|at| skin(&old, at)),
            names(self.now.skins.len(), &|at| skin(&new, at)),
        );
        let meshes = (
            names(self.before.meshes.len(), &|at| mesh(&old, at)),
            names(self.now.meshes.len(), &|at| mesh(&new, at)),
        );
        let mut changes = SkinChanges::default();
        let pairs = paired(&skins.0, &skins.1);
        for (at, other) in pairs.iter().enumerate() {
            let Some(other) = *other else {
                changes.removed.push(skins.0[at].clone());
                continue;
            };
            match self.skin(&self.before.skins[at], &self.now.skins[other], &skins.1[other]) {
                Some(change) => changes.changed.push(change),
                None => changes.same += 1,
            }
        }
        let kept: BTreeSet<usize> = pairs.iter().flatten().copied().collect();
        changes.added =
            (0..skins.1.len()).filter(|at| !kept.contains(at)).map(|at| skins.1[at].clone()).collect();
        let weights = paired(&meshes.0, &meshes.1)
            .into_iter()
            .enumerate()
            .filter_map(|(at, other)| self.weights((at, other?), &meshes.1[other?]))
            .collect();
        (changes, weights)
    }

    fn skin(&self, before: &Skin, now: &Skin, name: &str) -> Option<SkinChange> {
        let told = |list: Vec<&String>| list.into_iter().take(MOST_NAMED).cloned().collect::<Vec<_>>();
        let held: BTreeSet<JointId> = now.joints.iter().copied().collect();
        let was: BTreeSet<JointId> =
            before.joints.iter().filter_map(|joint| self.matching.forth[joint.index()]).collect();
        let gone =
            |joint: &&JointId| self.matching.forth[joint.index()].is_none_or(|now| !held.contains(&now));
        let removed: Vec<&String> =
            before.joints.iter().filter(gone).map(|joint| &self.old_names[joint.index()]).collect();
        let added: Vec<&String> = held.difference(&was).map(|joint| &self.new_names[joint.index()]).collect();
        let slots: BTreeMap<JointId, usize> =
            now.joints.iter().enumerate().map(|(at, joint)| (*joint, at)).collect();
        let rebound: Vec<&String> = before
            .joints
            .iter()
            .enumerate()
            .filter_map(|(slot, joint)| {
                let joint = self.matching.forth[joint.index()]?;
                let (was, is) = (bind(before, slot)?, bind(now, *slots.get(&joint)?)?);
                self.rebound(was, is).then(|| &self.new_names[joint.index()])
            })
            .collect();
        if removed.is_empty() && added.is_empty() && rebound.is_empty() {
            return None;
        }
        Some(SkinChange {
            skin: name.to_owned(),
            added_joints: added.len() as u64,
            removed_joints: removed.len() as u64,
            rebound_joints: rebound.len() as u64,
            joints_added: told(added),
            joints_removed: told(removed),
            rebound: told(rebound),
        })
    }

    /// Whether two inverse bind matrices bind otherwise. Numbers that are not finite are for the checks.
    fn rebound(&self, was: DMat4, is: DMat4) -> bool {
        if !was.is_finite() || !is.is_finite() {
            return false;
        }
        let axes = |matrix: DMat4| [matrix.x_axis, matrix.y_axis, matrix.z_axis].map(|axis| axis.truncate());
        let longest =
            axes(was).iter().chain(&axes(is)).map(|axis| axis.length()).fold(f64::MIN_POSITIVE, f64::max);
        let turned = axes(was).iter().zip(axes(is)).any(|(a, b)| a.distance(b) > longest * SAME_AXIS);
        // The translation is in the joint's own axes, which a scale may stretch.
        let moved = (was.w_axis - is.w_axis).truncate().length() > self.tolerance() * longest.max(1.0);
        turned || moved
    }

    /// How the weights of a mesh changed; nothing where they did not, or where neither side has any.
    fn weights(&self, (old, new): (usize, usize), name: &str) -> Option<WeightChange> {
        let (before, now) = (&self.before.meshes[old], &self.now.meshes[new]);
        let skins = (skin_of(self.before, MeshId::new(old)), skin_of(self.now, MeshId::new(new)));
        let (was, is) = (loads(before, skins.0), loads(now, skins.1));
        if was.is_empty() && is.is_empty() {
            return None;
        }
        let count = |mesh: &Mesh| mesh.primitives.iter().map(|one| one.positions.len() as u64).sum::<u64>();
        let mut change = WeightChange {
            mesh: name.to_owned(),
            vertices_before: count(before),
            vertices_now: count(now),
            changed: None,
            largest: None,
            joints: Vec::new(),
        };
        let total = |loads: &BTreeMap<JointId, f64>| loads.values().sum::<f64>().max(f64::MIN_POSITIVE);
        let shares = (total(&was), total(&is));
        if self.same_vertices(before, now) {
            let (changed, largest) = self.rows((before, skins.0), (now, skins.1));
            if changed == 0 {
                return None;
            }
            (change.changed, change.largest) = (Some(changed), Some(round(largest)));
        }
        let moved = |before: f64, now: f64| (before - now).abs() > 1e-6_f64.max(SAME_WEIGHT * 0.1);
        let share = |load: Option<&f64>, total: f64| load.map_or(0.0, |load| load / total);
        let mut seen = BTreeSet::new();
        for (joint, load) in &was {
            let now_joint = self.matching.forth[joint.index()];
            seen.extend(now_joint);
            let now = share(now_joint.and_then(|joint| is.get(&joint)), shares.1);
            let before = load / shares.0;
            if moved(before, now) {
                let name =
                    now_joint.map_or(&self.old_names[joint.index()], |now| &self.new_names[now.index()]);
                change.joints.push(JointWeight {
                    joint: name.clone(),
                    before: round(before),
                    now: round(now),
                });
            }
        }
        for (joint, load) in is.iter().filter(|(joint, _)| !seen.contains(joint)) {
            let now = load / shares.1;
            if moved(0.0, now) {
                let joint = self.new_names[joint.index()].clone();
                change.joints.push(JointWeight { joint, before: 0.0, now: round(now) });
            }
        }
        let size = |one: &JointWeight| (one.before - one.now).abs();
        change.joints.sort_by(|a, b| size(b).total_cmp(&size(a)).then_with(|| a.joint.cmp(&b.joint)));
        change.joints.truncate(MOST_NAMED);
        let told = change.changed.is_some() || !change.joints.is_empty();
        (told || change.vertices_before != change.vertices_now).then_some(change)
    }

    /// Whether vertex by vertex the two meshes are the same points.
    fn same_vertices(&self, before: &Mesh, now: &Mesh) -> bool {
        let tolerance = self.tolerance();
        let near = |(a, b): (&[f32; 3], &[f32; 3])| {
            a.iter().zip(b).all(|(a, b)| {
                (f64::from(*a) - f64::from(*b)).abs() <= tolerance || a.to_bits() == b.to_bits()
            })
        };
        before.primitives.len() == now.primitives.len()
            && before.primitives.iter().zip(&now.primitives).all(|(a, b)| {
                a.positions.len() == b.positions.len() && a.positions.iter().zip(&b.positions).all(near)
            })
    }

    /// How many vertices have other weights, and the largest change of one weight.
    fn rows(&self, before: (&Mesh, Option<&Skin>), now: (&Mesh, Option<&Skin>)) -> (u64, f64) {
        let (mut changed, mut largest) = (0, 0.0_f64);
        for (a, b) in before.0.primitives.iter().zip(&now.0.primitives) {
            for vertex in 0..a.positions.len() {
                // By the joints of now; what is gone counts whole.
                let mut row: Vec<(Option<JointId>, f64)> = Vec::with_capacity(16);
                let mut add = |joint: Option<JointId>, weight: f64| match row
                    .iter_mut()
                    .find(|(other, _)| *other == joint && joint.is_some())
                {
                    Some((_, sum)) => *sum += weight,
                    None => row.push((joint, weight)),
                };
                each(a, before.1, vertex, &mut |joint, weight| {
                    add(self.matching.forth[joint.index()], -weight);
                });
                each(b, now.1, vertex, &mut |joint, weight| add(Some(joint), weight));
                let most = row.iter().map(|(_, difference)| difference.abs()).fold(0.0, f64::max);
                if most > SAME_WEIGHT {
                    changed += 1;
                    largest = largest.max(most);
                }
            }
        }
        (changed, largest)
    }
}

/// For each of the one list, which of the other it is: by name, then, where a single one of each side is left over, these
/// two.
fn paired(before: &[String], now: &[String]) -> Vec<Option<usize>> {
    let by_name: BTreeMap<&str, usize> =
        now.iter().enumerate().map(|(at, name)| (name.as_str(), at)).collect();
    let mut pairs: Vec<Option<usize>> =
        before.iter().map(|name| by_name.get(name.as_str()).copied()).collect();
    let taken: BTreeSet<usize> = pairs.iter().flatten().copied().collect();
    // One that is left on each side was renamed; of several nobody can say.
    let mut left = (0..now.len()).filter(|at| !taken.contains(at));
    if let (Some(only), None) = (left.next(), left.next()) {
        let mut open = pairs.iter_mut().filter(|pair| pair.is_none());
        if let (Some(pair), None) = (open.next(), open.next()) {
            *pair = Some(only);
        }
    }
    pairs
}

/// The skin that a mesh is drawn with; of several the first.
fn skin_of(rig: &Rig, mesh: MeshId) -> Option<&Skin> {
    let users = &rig.meshes[mesh.index()].users;
    let skin = users.iter().find_map(|node| rig.nodes.get(node.index())?.skin)?;
    rig.skins.get(skin.index())
}

/// The inverse bind matrix of a slot; absent ones are the identity (glTF 2.0 §3.7.3.1).
fn bind(skin: &Skin, slot: usize) -> Option<DMat4> {
    match &skin.inverse_bind {
        Some(list) => list.get(slot).copied(),
        None => (!skin.bind_unread).then_some(DMat4::IDENTITY),
    }
}

/// The influences of a vertex that count. Indices may point beyond the skin, and weights may be no numbers: those are
/// for the checks.
fn each(primitive: &Primitive, skin: Option<&Skin>, vertex: usize, tell: &mut dyn FnMut(JointId, f64)) {
    let Some(skin) = skin else { return };
    for set in &primitive.influences {
        let (Some(joints), Some(weights)) = (set.joints.get(vertex), set.weights.get(vertex)) else {
            continue;
        };
        for (slot, weight) in joints.iter().zip(weights) {
            if *weight > 0.0
                && weight.is_finite()
                && let Some(joint) = skin.joints.get(usize::from(*slot))
            {
                tell(*joint, f64::from(*weight));
            }
        }
    }
}

/// What each joint carries of a mesh: the sum of its weights.
fn loads(mesh: &Mesh, skin: Option<&Skin>) -> BTreeMap<JointId, f64> {
    let mut loads = BTreeMap::new();
    for primitive in &mesh.primitives {
        for vertex in 0..primitive.positions.len() {
            each(primitive, skin, vertex, &mut |joint, weight| *loads.entry(joint).or_insert(0.0) += weight);
        }
    }
    loads
}
