//! Changing one joint of a scene so that everything else stays: children, skin and clips are told the difference.

use glam::{DMat4, DQuat, DVec3};

use crate::export::{Scene, SceneChannel, ScenePath};
use crate::model::Interpolation;

/// Turns a joint about itself, at bind and at rest.
pub(super) fn twist(scene: &mut Scene, joint: usize, turn: DQuat) {
    let back = turn.inverse();
    scene.nodes[joint].rotation = (DQuat::from_array(scene.nodes[joint].rotation) * turn).to_array();
    let below = below(scene, joint);
    for child in &below {
        let node = &mut scene.nodes[*child];
        node.translation = (back * DVec3::from_array(node.translation)).to_array();
        node.rotation = (back * DQuat::from_array(node.rotation)).to_array();
    }
    rebind(scene, joint, |inverse| DMat4::from_quat(back) * inverse);
    for channel in channels(scene) {
        let own = channel.node == joint;
        if own && channel.path == ScenePath::Rotation {
            each::<4>(channel, |q| (DQuat::from_array(q) * turn).to_array());
        } else if below.contains(&channel.node) {
            match channel.path {
                ScenePath::Rotation => each::<4>(channel, |q| (back * DQuat::from_array(q)).to_array()),
                ScenePath::Translation => each::<3>(channel, |v| (back * DVec3::from_array(v)).to_array()),
                ScenePath::Scale => {}
            }
        }
    }
}

/// Moves a joint's origin in the world, at bind and at rest.
pub(super) fn shift(scene: &mut Scene, joint: usize, by: DVec3) -> Result<(), String> {
    let world = world(scene, joint)?;
    let above = scene.nodes[joint].parent.map_or(Ok(DMat4::IDENTITY), |up| self::world(scene, up))?;
    let (own, theirs) = (above.inverse().transform_vector3(by), -world.inverse().transform_vector3(by));
    let below = below(scene, joint);
    let add = |node: usize| {
        if node == joint { Some(own) } else { below.contains(&node).then_some(theirs) }
    };
    for (index, node) in scene.nodes.iter_mut().enumerate() {
        if let Some(offset) = add(index) {
            node.translation = (DVec3::from_array(node.translation) + offset).to_array();
        }
    }
    for channel in channels(scene).filter(|channel| channel.path == ScenePath::Translation) {
        let Some(offset) = add(channel.node) else { continue };
        // A spline's tangents are differences: only its values move.
        let (step, first) = if channel.interpolation == Interpolation::CubicSpline { (3, 1) } else { (1, 0) };
        for value in channel.values.chunks_exact_mut(3).skip(first).step_by(step) {
            for (axis, number) in value.iter_mut().enumerate() {
                *number += offset[axis] as f32;
            }
        }
    }
    rebind(scene, joint, |inverse| {
        let space = world * inverse;
        inverse * space.inverse() * DMat4::from_translation(-by) * space
    });
    Ok(())
}

/// Hangs a node from another one, or from nothing, where it stands.
pub(super) fn hang(scene: &mut Scene, joint: usize, parent: Option<usize>) -> Result<(), String> {
    let place = world(scene, joint)?;
    if let Some(up) = parent {
        let mut at = Some(up);
        while let Some(node) = at {
            if node == joint {
                return Err("no glTF can hold a loop of parents".into());
            }
            at = scene.nodes[node].parent;
        }
    }
    let above = parent.map_or(Ok(DMat4::IDENTITY), |up| world(scene, up))?;
    let (scale, rotation, translation) = (above.inverse() * place).to_scale_rotation_translation();
    let node = &mut scene.nodes[joint];
    node.parent = parent;
    (node.scale, node.rotation, node.translation) =
        (scale.to_array(), rotation.to_array(), translation.to_array());
    Ok(())
}

/// A node's place in the world at rest.
fn world(scene: &Scene, node: usize) -> Result<DMat4, String> {
    let mut place = DMat4::IDENTITY;
    let mut at = Some(node);
    for _ in 0..=scene.nodes.len() {
        let Some(index) = at else { return Ok(place) };
        let node = &scene.nodes[index];
        let rotation = DQuat::from_array(node.rotation).normalize();
        let (scale, translation) = (DVec3::from_array(node.scale), DVec3::from_array(node.translation));
        place = DMat4::from_scale_rotation_translation(scale, rotation, translation) * place;
        at = node.parent;
    }
    Err("the nodes' parents go round in a loop".into())
}

fn below(scene: &Scene, joint: usize) -> Vec<usize> {
    (0..scene.nodes.len()).filter(|node| scene.nodes[*node].parent == Some(joint)).collect()
}

fn channels(scene: &mut Scene) -> impl Iterator<Item = &mut SceneChannel> {
    scene.clips.iter_mut().flat_map(|clip| &mut clip.channels)
}

fn each<const N: usize>(channel: &mut SceneChannel, change: impl Fn([f64; N]) -> [f64; N]) {
    for value in channel.values.chunks_exact_mut(N) {
        let mut wide = [0.0; N];
        wide.iter_mut().zip(value.iter()).for_each(|(wide, number)| *wide = f64::from(*number));
        value.iter_mut().zip(change(wide)).for_each(|(number, wide)| *number = wide as f32);
    }
}

/// Changes a joint's inverse bind matrix in every skin.
fn rebind(scene: &mut Scene, joint: usize, change: impl Fn(DMat4) -> DMat4) {
    for skin in &mut scene.skins {
        let slots = skin.joints.iter().enumerate().filter(|(_, node)| **node == joint);
        let slots: Vec<usize> = slots.map(|(slot, _)| slot).collect();
        for slot in slots {
            if let Some(matrix) = skin.inverse_bind.as_mut().and_then(|list| list.get_mut(slot)) {
                let wide = DMat4::from_cols_array(&matrix.map(f64::from));
                *matrix = change(wide).to_cols_array().map(|number| number as f32);
            }
        }
    }
}
