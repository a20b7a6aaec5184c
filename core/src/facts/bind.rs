//! Bind space (D1): where every joint stood, and which way it was turned, when the skin was bound.

use glam::{DMat3, DMat4, DVec3};

use crate::model::{JointId, Rig, Skin, SkinId, Source};

/// A joint's frame at bind.
#[derive(Debug, Clone, Copy)]
pub struct BindFrame {
    /// Metres, rig frame.
    pub origin: DVec3,
    /// Axes of unit length (columns), as they are: mirrored or sheared ones stay so.
    pub basis: DMat3,
    /// Lengths of the columns before normalising.
    pub scale: DVec3,
    /// It comes from an inverse bind matrix (else from the rest pose).
    pub from_matrix: bool,
}

impl BindFrame {
    fn of(matrix: DMat4, from_matrix: bool) -> Self {
        let columns = [matrix.x_axis, matrix.y_axis, matrix.z_axis].map(|c| c.truncate());
        let scale = DVec3::from_array(columns.map(DVec3::length));
        let basis = DMat3::from_cols(
            columns[0].normalize_or_zero(),
            columns[1].normalize_or_zero(),
            columns[2].normalize_or_zero(),
        );
        Self { origin: matrix.w_axis.truncate(), basis, scale, from_matrix }
    }
}

/// A skin's bind space.
#[derive(Debug, Clone, Copy)]
pub struct SkinBind {
    /// Mesh space at bind to the world (M of D1).
    pub mesh_to_world: DMat4,
}

/// Bind frames of every joint, and the space of every skin.
#[derive(Debug)]
pub struct Bind {
    /// One per joint.
    pub joints: Vec<BindFrame>,
    /// One per skin.
    pub skins: Vec<SkinBind>,
    /// The skin and slot that a joint's frame was read from.
    pub slot: Vec<Option<(SkinId, usize)>>,
}

impl Bind {
    pub(super) fn new(rig: &Rig) -> Self {
        let mut joints: Vec<BindFrame> = rig.joints.iter().map(|j| BindFrame::of(j.rest, false)).collect();
        let mut slot = vec![None; rig.joints.len()];
        let mut skins = Vec::with_capacity(rig.skins.len());
        for (index, skin) in rig.skins.iter().enumerate() {
            let space = bind_space(rig, skin);
            skins.push(SkinBind { mesh_to_world: space });
            if rig.source == Source::Plan || skin.bind_unread {
                continue;
            }
            for (at, joint) in skin.joints.iter().enumerate() {
                if slot[joint.index()].is_some() {
                    continue;
                }
                if let Some(inverse) = inverse_bind(skin, at)
                    && let Some(world) = checked_inverse(inverse)
                {
                    joints[joint.index()] = BindFrame::of(space * world, true);
                    slot[joint.index()] = Some((SkinId::new(index), at));
                }
            }
        }
        Self { joints, skins, slot }
    }
}

/// The inverse bind matrix of a slot: as stored, identity where the skin has none at all, nothing where the list is short.
pub(super) fn inverse_bind(skin: &Skin, slot: usize) -> Option<DMat4> {
    match &skin.inverse_bind {
        None => Some(DMat4::IDENTITY),
        Some(list) => list.get(slot).copied(),
    }
}

/// The inverse, if the matrix is finite, affine and not singular.
pub(super) fn checked_inverse(matrix: DMat4) -> Option<DMat4> {
    if !matrix.is_finite() {
        return None;
    }
    let determinant = matrix.determinant();
    let scale = matrix.x_axis.length() * matrix.y_axis.length() * matrix.z_axis.length();
    if determinant.abs() <= 1e-12 * scale || scale == 0.0 {
        return None;
    }
    let inverse = matrix.inverse();
    inverse.is_finite().then_some(inverse)
}

/// Of every joint, rest times inverse bind: where that joint draws the mesh at rest.
fn products(rig: &Rig, skin: &Skin) -> Vec<DMat4> {
    let of = |(slot, joint): (usize, &JointId)| {
        let product = rig.joints[joint.index()].rest * inverse_bind(skin, slot)?;
        (product.is_finite() && product.determinant() != 0.0).then_some(product)
    };
    skin.joints.iter().enumerate().filter_map(of).collect()
}

/// M of D1.
fn bind_space(rig: &Rig, skin: &Skin) -> DMat4 {
    let products = products(rig, skin);
    let users: Vec<DMat4> = skin.users.iter().map(|node| rig.nodes[node.index()].world).collect();
    let Some(first) = products.first() else {
        return users.first().copied().unwrap_or(DMat4::IDENTITY);
    };
    // Candidates are capped: a product of every joint is as good as the next one, and this is quadratic.
    let step = products.len().div_ceil(48);
    let mut best: Option<(usize, DMat4)> = None;
    for candidate in users.iter().chain(products.iter().step_by(step)) {
        let agreeing = products.iter().filter(|product| same_linear(product, candidate)).count();
        if agreeing * 10 >= products.len() * 9 {
            let user = users.iter().any(|user| std::ptr::eq(user, candidate));
            return if user { *candidate } else { among(candidate, &products) };
        }
        if best.is_none_or(|(most, _)| agreeing > most) {
            best = Some((agreeing, *candidate));
        }
    }
    for user in &users {
        let size = user.determinant().abs().cbrt();
        let fitting = products
            .iter()
            .filter(|product| (product.determinant().abs().cbrt() / size - 1.0).abs() < 0.01)
            .count();
        if fitting * 2 > products.len() {
            return *user;
        }
    }
    best.map_or(*first, |(_, matrix)| matrix)
}

/// The one place at which a skin draws its whole mesh at rest: where nine tenths of the joints agree on it, within 1 % of
/// rotation and scale and 1 % of `s`. Without agreement the rest pose is another than the one of the binding.
pub(super) fn rest_space(rig: &Rig, skin: &Skin, s: f64) -> Option<DMat4> {
    if skin.bind_unread {
        return None;
    }
    let products = products(rig, skin);
    let step = products.len().div_ceil(48).max(1);
    products.iter().step_by(step).copied().find(|candidate| {
        let near = |one: &&DMat4| {
            same_linear(one, candidate)
                && one.w_axis.truncate().distance(candidate.w_axis.truncate()) <= 0.01 * s
        };
        products.iter().filter(near).count() * 10 >= products.len() * 9
    })
}

/// A joint's own product of rest and bind, placed where most of the joints that agree with it are: that one joint may
/// be bound elsewhere than the rest of its skin.
fn among(candidate: &DMat4, products: &[DMat4]) -> DMat4 {
    let mut middle = *candidate;
    for axis in 0..3 {
        let agreeing = products.iter().filter(|product| same_linear(product, candidate));
        let mut list: Vec<f64> = agreeing.map(|product| product.w_axis[axis]).collect();
        if list.is_empty() {
            continue;
        }
        let at = list.len() / 2;
        middle.w_axis[axis] = *list.select_nth_unstable_by(at, f64::total_cmp).1;
    }
    middle
}

/// Rotation and scale agree within 1 %.
fn same_linear(a: &DMat4, b: &DMat4) -> bool {
    let (a, b) = (DMat3::from_mat4(*a), DMat3::from_mat4(*b));
    let size = |m: &DMat3| m.x_axis.length_squared() + m.y_axis.length_squared() + m.z_axis.length_squared();
    let difference = a - b;
    size(&difference) <= 1e-4 * size(&b)
}
