//! Skinning exactly as glTF 2.0 §3.7.3 defines it: every influence set, weights as stored, morph defaults first; and by
//! dual quaternions, for targets that skin so.
//!
//! The sweep itself uses one number a point (`sweep::field`); this is the general rule it is proven against, and the
//! one for poses of several joints.

use glam::{DMat3, DMat4, DQuat, DVec3, DVec4, Mat4, Vec3A, Vec4, Vec4Swizzles as _};

use super::poses::Blend;
use crate::model::{Influences, Local, NodeId, Primitive, Rig, SkinId};

/// World matrices of all nodes when some joints are turned in their own frames: `turn(node)` is applied before the
/// node's own rotation acts, as an animation channel that multiplies from the right would.
pub fn posed_nodes(rig: &Rig, turn: impl Fn(NodeId) -> DMat4) -> Vec<DMat4> {
    placed_nodes(rig, |node| matrix(&rig.nodes[node.index()].local) * turn(node))
}

/// World matrices of all nodes for other local transforms.
pub fn placed_nodes(rig: &Rig, local: impl Fn(NodeId) -> DMat4) -> Vec<DMat4> {
    let mut worlds = vec![DMat4::IDENTITY; rig.nodes.len()];
    let mut stack: Vec<NodeId> = (0..rig.nodes.len())
        .map(NodeId::new)
        .filter(|node| rig.nodes[node.index()].parent.is_none())
        .collect();
    while let Some(node) = stack.pop() {
        let this = &rig.nodes[node.index()];
        let above = this.parent.map_or(DMat4::IDENTITY, |up| worlds[up.index()]);
        worlds[node.index()] = above * local(node);
        stack.extend(&this.children);
    }
    worlds
}

pub(super) fn matrix(local: &Local) -> DMat4 {
    match local {
        Local::Matrix(matrix) => *matrix,
        Local::Trs { translation, rotation, scale } => {
            let rotation = DQuat::from_array(*rotation).normalize();
            DMat4::from_scale_rotation_translation(*scale, rotation, *translation)
        }
    }
}

/// The joint matrices of a skin: joint in the world times inverse bind; `None` where one of them is missing.
pub(super) fn palette(rig: &Rig, skin: SkinId, worlds: &[DMat4]) -> Vec<Option<DMat4>> {
    let skin = &rig.skins[skin.index()];
    let of = |(slot, joint): (usize, &crate::model::JointId)| {
        let inverse = match &skin.inverse_bind {
            None => DMat4::IDENTITY,
            Some(list) => *list.get(slot)?,
        };
        Some(worlds[rig.joints[joint.index()].node?.index()] * inverse)
    };
    skin.joints.iter().enumerate().map(of).collect()
}

/// Where the joints of the skin that a node draws its mesh with take the vertices of a primitive, world; one per vertex,
/// `None` where an influence names a joint that the skin does not have.
pub fn skin(rig: &Rig, blend: Blend, node: NodeId, primitive: usize, worlds: &[DMat4]) -> Vec<Option<DVec3>> {
    let (Some(mesh), Some(skin)) = (rig.nodes[node.index()].mesh, rig.nodes[node.index()].skin) else {
        return Vec::new();
    };
    let matrices = palette(rig, skin, worlds);
    let motions: Vec<Option<Dual>> = match blend {
        Blend::Linear => Vec::new(),
        Blend::DualQuaternion => matrices.iter().map(|matrix| matrix.map(Dual::new)).collect(),
    };
    let morphs = rig.morphs(node, mesh);
    let primitive = &rig.meshes[mesh.index()].primitives[primitive];
    let mut offsets = Vec::new();
    if blend == Blend::Linear
        && let Some(centre) = stream(primitive, &matrices, &mut offsets)
    {
        return offsets.into_iter().map(|offset| Some(centre + offset.as_dvec3())).collect();
    }
    (0..primitive.positions.len())
        .map(|vertex| {
            let place = primitive.place(vertex, morphs)?;
            let (mut sum, mut dual) = (DVec4::ZERO, Sum::default());
            for set in &primitive.influences {
                let (joints, weights) = (set.joints.get(vertex)?, set.weights.get(vertex)?);
                for (joint, weight) in joints.iter().zip(weights).filter(|(_, weight)| **weight != 0.0) {
                    match blend {
                        Blend::Linear => {
                            let matrix = (*matrices.get(usize::from(*joint))?)?;
                            sum += matrix * place.extend(1.0) * f64::from(*weight);
                        }
                        Blend::DualQuaternion => {
                            dual.add((*motions.get(usize::from(*joint))?)?, f64::from(*weight));
                        }
                    }
                }
            }
            Some(match blend {
                Blend::Linear => sum.truncate(),
                Blend::DualQuaternion => dual.place(place),
            })
        })
        .collect()
}

/// Where linear blending takes the vertices of a primitive without morph targets, world: offsets from a place amid them, which
/// is what comes back. Nothing for another primitive, or where an influence names a joint that is not there. The buffer is
/// used again, as it is.
pub fn skin_offsets(
    rig: &Rig,
    node: NodeId,
    primitive: usize,
    worlds: &[DMat4],
    out: &mut Vec<Vec3A>,
) -> Option<DVec3> {
    let (mesh, skin) = (rig.nodes[node.index()].mesh?, rig.nodes[node.index()].skin?);
    stream(&rig.meshes[mesh.index()].primitives[primitive], &palette(rig, skin, worlds), out)
}

/// In 32 bits, four numbers at a time; what is far from the origin of the world loses nothing, since the offsets are from amid
/// the body.
fn stream(primitive: &Primitive, matrices: &[Option<DMat4>], out: &mut Vec<Vec3A>) -> Option<DVec3> {
    let count = primitive.positions.len();
    let first = primitive.positions.first().filter(|_| primitive.morph_targets == 0)?.map(f64::from);
    let centre = DVec3::from_array(first);
    // The last row is not read: it is 0 0 0 1 (glTF 2.0 §3.7.3.1), so that a blend's last number is the sum of the weights.
    let near = |matrix: &Option<DMat4>| {
        matrix.filter(|matrix| matrix.is_finite()).map(|matrix| {
            let shift = matrix.transform_point3(centre) - centre;
            let column = |column: DVec4| column.truncate().as_vec3().extend(0.0);
            Mat4::from_cols(
                column(matrix.x_axis),
                column(matrix.y_axis),
                column(matrix.z_axis),
                shift.as_vec3().extend(1.0),
            )
        })
    };
    let matrices: Vec<Mat4> = matrices.iter().map(near).collect::<Option<_>>()?;
    let whole = |set: &Influences| set.joints.len() >= count && set.weights.len() >= count;
    if primitive.influences.is_empty() || !primitive.influences.iter().all(whole) {
        return None;
    }
    let base = centre.as_vec3().extend(0.0);
    out.resize(count, Vec3A::ZERO);
    let (places, out) = (&primitive.positions[..count], &mut out[..count]);
    // The first set, which most bodies have alone, in one pass; further ones are added.
    for (number, set) in primitive.influences.iter().enumerate() {
        let (joints, weights) = (&set.joints[..count], &set.weights[..count]);
        for vertex in 0..count {
            let (joints, weights, place) = (joints[vertex], weights[vertex], places[vertex]);
            let arm = Vec4::new(place[0], place[1], place[2], 0.0) - base;
            // Vertices side by side have as many influences, mostly, and the strongest first: what is not there costs nothing.
            let moved = if zero(weights[2]) && zero(weights[3]) {
                if zero(weights[1]) {
                    blend::<1>(&matrices, joints, weights, arm)
                } else {
                    blend::<2>(&matrices, joints, weights, arm)
                }
            } else {
                blend::<4>(&matrices, joints, weights, arm)
            };
            // A joint that is not there may stand where the weight is nothing.
            let moved = moved.or_else(|| present(&matrices, joints, weights, arm))?;
            // Weights that do not add up to one scale the place amid as well.
            out[vertex] = if number == 0 {
                Vec3A::from_vec4(moved + base * (moved.w - 1.0))
            } else {
                out[vertex] + Vec3A::from_vec4(moved + base * moved.w)
            };
        }
    }
    Some(centre)
}

fn zero(weight: f32) -> bool {
    weight.to_bits() << 1 == 0
}

/// Where the blend of the first N influences takes an offset, and the sum of their weights as the fourth number. Matrices are
/// blended, not places: four multiplications for an influence, and the place is taken once.
#[expect(clippy::inline_always, reason = "asked for every vertex: a call costs as much as what it does")]
#[inline(always)]
fn blend<const N: usize>(matrices: &[Mat4], joints: [u16; 4], weights: [f32; 4], arm: Vec4) -> Option<Vec4> {
    let matrix = matrices.get(usize::from(joints[0]))?;
    let weight = Vec4::splat(weights[0]);
    let (mut x, mut y) = (matrix.x_axis * weight, matrix.y_axis * weight);
    let (mut z, mut shift) = (matrix.z_axis * weight, matrix.w_axis * weight);
    for k in 1..N {
        let matrix = matrices.get(usize::from(joints[k]))?;
        let weight = Vec4::splat(weights[k]);
        x += matrix.x_axis * weight;
        y += matrix.y_axis * weight;
        z += matrix.z_axis * weight;
        shift += matrix.w_axis * weight;
    }
    Some((x * arm.xxxx() + y * arm.yyyy()) + (z * arm.zzzz() + shift))
}

/// The same over the influences that have a weight.
#[cold]
fn present(matrices: &[Mat4], joints: [u16; 4], weights: [f32; 4], arm: Vec4) -> Option<Vec4> {
    let mut sum = Vec4::ZERO;
    for (joint, weight) in joints.into_iter().zip(weights).filter(|(_, weight)| !zero(*weight)) {
        sum += blend::<1>(matrices, [joint; 4], [weight; 4], arm)?;
    }
    Some(sum)
}

/// A joint that shrinks more than this has no rotation of its own.
const LEAST_SIZE: f64 = 1e-9;

/// A rigid motion as a unit dual quaternion, and what the matrix does before it: stretch is blended linearly first
/// (Kavan et al. 2008, §4.2).
#[derive(Debug, Clone, Copy)]
pub(super) struct Dual {
    real: DQuat,
    shift: DQuat,
    stretch: DMat3,
}

impl Dual {
    pub(super) fn new(matrix: DMat4) -> Self {
        let linear = DMat3::from_mat4(matrix);
        let (turn, stretch) = rigid(linear);
        let real = DQuat::from_mat3(&turn).normalize();
        let shift = matrix.w_axis.truncate();
        let second = DQuat::from_xyzw(shift.x, shift.y, shift.z, 0.0) * real * 0.5;
        Self { real, shift: second, stretch }
    }
}

/// The rotation and the stretch that a matrix is made of, M = R S: the polar decomposition by Newton's steps
/// (Higham, SIAM J. Sci. Stat. Comput. 7(4), 1986). What mirrors has no rotation: its stretch keeps the mirroring.
fn rigid(linear: DMat3) -> (DMat3, DMat3) {
    let columns = [linear.x_axis, linear.y_axis, linear.z_axis];
    let size = (columns.iter().map(|column| column.length_squared()).sum::<f64>() / 3.0).sqrt();
    // What is shrunk to nothing, as hidden joints are, is turned in no way that could be told.
    if !(size > LEAST_SIZE && size.is_finite()) {
        return (DMat3::IDENTITY, linear);
    }
    let sign = if linear.determinant() < 0.0 { -1.0 } else { 1.0 };
    let mut turn = linear * (sign / size);
    for _ in 0..32 {
        let inverse = turn.inverse().transpose();
        if !inverse.is_finite() {
            return (DMat3::IDENTITY, linear);
        }
        let next = (turn + inverse) * 0.5;
        let apart = next - turn;
        turn = next;
        if apart.abs_diff_eq(DMat3::ZERO, 1e-15) {
            break;
        }
    }
    (turn, turn.transpose() * linear)
}

/// A weighted sum of dual quaternions, signs as of the first one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sum {
    real: DQuat,
    shift: DQuat,
    stretch: DMat3,
    weight: f64,
}

impl Default for Sum {
    fn default() -> Self {
        let nothing = DQuat::from_xyzw(0.0, 0.0, 0.0, 0.0);
        Self { real: nothing, shift: nothing, stretch: DMat3::ZERO, weight: 0.0 }
    }
}

impl Sum {
    pub(super) fn add(&mut self, one: Dual, weight: f64) {
        // Of the two quaternions of a turn the one on the side of what is there.
        let signed = if self.real.dot(one.real) < 0.0 { -weight } else { weight };
        self.real += one.real * signed;
        self.shift += one.shift * signed;
        self.stretch += one.stretch * weight;
        self.weight += weight;
    }

    pub(super) fn place(&self, place: DVec3) -> DVec3 {
        let length = self.real.length();
        let (real, dual) = (self.real * length.recip(), self.shift * length.recip());
        let stretched = self.stretch * place;
        let (r, d) = (DVec3::new(real.x, real.y, real.z), DVec3::new(dual.x, dual.y, dual.z));
        let shift = (d * real.w - r * dual.w + r.cross(d)) * 2.0;
        // Weights off one scale a linear blend; here they do nothing but to the stretch.
        real * (stretched / if self.weight == 0.0 { 1.0 } else { self.weight }) + shift
    }
}
