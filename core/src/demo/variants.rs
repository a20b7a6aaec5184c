//! The storage variants that real files have.

use super::character;
use crate::export::{Scene, SceneSkin, Storage, WeightType, write_glb};
use crate::model::Interpolation;

/// The same character stored in other ways: name and GLB.
pub fn variants(name: &str, vertices: usize) -> Vec<(&'static str, Vec<u8>)> {
    let Some(character) = character(name, vertices) else { return Vec::new() };
    let scene = character.scene;
    let float = Storage::default();
    vec![
        ("float", write_glb(&scene, &float)),
        ("unorm8", write_glb(&scene, &Storage { weights: WeightType::Unorm8, ..float })),
        ("unorm16", write_glb(&scene, &Storage { weights: WeightType::Unorm16, ..float })),
        ("quantised", write_glb(&scene, &Storage { quantise: true, ..float })),
        ("meshopt", write_glb(&scene, &Storage { meshopt: true, ..float })),
        (
            "quantised-meshopt",
            write_glb(&scene, &Storage { quantise: true, meshopt: true, weights: WeightType::Unorm16 }),
        ),
        ("eight-influences", write_glb(&eight(&scene), &float)),
        ("several-skins", write_glb(&split_skins(&scene), &float)),
        ("cubic-spline", write_glb(&cubic(&scene), &float)),
    ]
}

/// Each influence halved in two slots of different joints is no change of joints: the last joint of a row gives a
/// tenth to each of four more joints of the skin.
fn eight(scene: &Scene) -> Scene {
    let mut out = scene.clone();
    let joints = out.skins.first().map_or(0, |skin| skin.joints.len());
    for mesh in &mut out.meshes {
        for row in &mut mesh.influences {
            let used: Vec<u16> = row.iter().map(|(joint, _)| *joint).collect();
            let more: Vec<u16> = (0..joints as u16).filter(|joint| !used.contains(joint)).take(4).collect();
            for (_, weight) in row.iter_mut() {
                *weight *= 0.96;
            }
            let share = 0.04 / more.len().max(1) as f32;
            row.extend(more.into_iter().map(|joint| (joint, share)));
            let total: f64 = row.iter().map(|(_, w)| f64::from(*w)).sum();
            for (_, weight) in row.iter_mut() {
                *weight = (f64::from(*weight) / total) as f32;
            }
        }
    }
    out
}

/// The body twice, the second time under a skin with its joints in reverse order.
fn split_skins(scene: &Scene) -> Scene {
    let mut out = scene.clone();
    let (Some(skin), Some(mesh)) = (scene.skins.first(), scene.meshes.first()) else { return out };
    let count = skin.joints.len() as u16;
    let mut twin = mesh.clone();
    twin.name.push_str("-lining");
    for row in &mut twin.influences {
        for (joint, _) in row {
            *joint = count - 1 - *joint;
        }
    }
    let reversed = skin.inverse_bind.as_ref().map(|list| list.iter().rev().copied().collect());
    out.skins.push(SceneSkin {
        name: format!("{}-lining", skin.name),
        joints: skin.joints.iter().rev().copied().collect(),
        inverse_bind: reversed,
    });
    out.meshes.push(twin);
    if let Some(node) = scene.nodes.iter().find(|node| node.skin.is_some()) {
        let mut node = node.clone();
        node.name = node.name.map(|name| format!("{name}-lining"));
        node.mesh = Some(out.meshes.len() - 1);
        node.skin = Some(1);
        out.nodes.push(node);
    }
    out
}

/// The clip as cubic splines with flat tangents.
fn cubic(scene: &Scene) -> Scene {
    let mut out = scene.clone();
    for channel in out.clips.iter_mut().flat_map(|clip| &mut clip.channels) {
        channel.interpolation = Interpolation::CubicSpline;
        channel.values = channel
            .values
            .as_chunks::<4>()
            .0
            .iter()
            .flat_map(|key| [[0.0; 4], *key, [0.0; 4]])
            .flatten()
            .collect();
    }
    out
}
