//! The storage variants that real files have.

use super::character;
use crate::export::{Scene, SceneSkin, Storage, WeightType, write_embedded, write_glb, write_separate};
use crate::model::Interpolation;

/// A character stored in one way.
#[derive(Debug, Clone)]
pub struct Variant {
    /// What is told by its name.
    pub form: &'static str,
    /// The document: GLB or glTF JSON.
    pub document: Vec<u8>,
    /// Its buffer, where it lies beside: file name and bytes.
    pub beside: Option<(String, Vec<u8>)>,
    /// What differs from the plain form.
    pub stored: Stored,
}

/// What a variant changes in the rig that is read back: bounds of the rounding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stored {
    /// Nothing.
    Same,
    /// Weights, each by at most one step of so many, as they still sum to one.
    Weights(u32),
    /// Positions, by half a step of 65,535 in the largest extent of the scene's meshes; weights by a step of so many
    /// (none: not at all).
    Quantised(Option<u32>),
    /// More influences than the plain form has.
    MoreInfluences,
    /// A second mesh and skin.
    MoreSkins,
    /// The clips' interpolation, through the same keys.
    Splines,
}

/// The same character stored in other ways.
pub fn variants(name: &str, vertices: usize) -> Vec<Variant> {
    let Some(character) = character(name, vertices) else { return Vec::new() };
    let scene = character.scene;
    let float = Storage::default();
    let glb = |form, scene: &Scene, storage: Storage, stored| Variant {
        form,
        document: write_glb(scene, &storage),
        beside: None,
        stored,
    };
    let buffer = format!("{name}.bin");
    let (document, bin) = write_separate(&scene, &float, &buffer);
    let both = Storage { quantise: true, meshopt: true, weights: WeightType::Unorm16, ..float };
    let (eight, halves) = (Stored::Weights(255), Stored::Weights(65_535));
    vec![
        glb("float", &scene, float, Stored::Same),
        glb("unorm8", &scene, Storage { weights: WeightType::Unorm8, ..float }, eight),
        glb("unorm16", &scene, Storage { weights: WeightType::Unorm16, ..float }, halves),
        glb("quantised", &scene, Storage { quantise: true, ..float }, Stored::Quantised(None)),
        glb("meshopt", &scene, Storage { meshopt: true, ..float }, Stored::Same),
        glb("quantised-meshopt", &scene, both, Stored::Quantised(Some(65_535))),
        glb("interleaved", &scene, Storage { interleaved: true, ..float }, Stored::Same),
        glb("sparse", &scene, Storage { sparse: true, ..float }, Stored::Same),
        glb("sparse-eight", &self::eight(&scene), Storage { sparse: true, ..float }, Stored::MoreInfluences),
        glb("eight-influences", &self::eight(&scene), float, Stored::MoreInfluences),
        glb("several-skins", &split_skins(&scene), float, Stored::MoreSkins),
        glb("cubic-spline", &cubic(&scene), float, Stored::Splines),
        Variant {
            form: "embedded",
            document: write_embedded(&scene, &float),
            beside: None,
            stored: Stored::Same,
        },
        Variant { form: "separate", document, beside: Some((buffer, bin)), stored: Stored::Same },
    ]
}
/// A twenty-fifth of every vertex goes to joints next to those that move it, up to eight in all.
fn eight(scene: &Scene) -> Scene {
    let mut out = scene.clone();
    let Some(skin) = scene.skins.first() else { return out };
    let slot = |node: usize| skin.joints.iter().position(|joint| *joint == node).map(|slot| slot as u16);
    let above: Vec<Option<u16>> =
        skin.joints.iter().map(|joint| scene.nodes[*joint].parent.and_then(slot)).collect();
    for mesh in &mut out.meshes {
        for row in &mut mesh.influences {
            // Slots of a vertex's first set stay; the rest of the eight come from nearer and farther kin.
            let mut more: Vec<u16> = Vec::new();
            for step in 0..8 {
                let Some(joint) = row.iter().map(|(joint, _)| *joint).chain(more.clone()).nth(step) else {
                    break;
                };
                for kin in 0..above.len() as u16 {
                    let near =
                        above[usize::from(kin)] == Some(joint) || above[usize::from(joint)] == Some(kin);
                    let known = row.iter().any(|(other, _)| *other == kin) || more.contains(&kin);
                    if near && !known && row.len() + more.len() < 8 {
                        more.push(kin);
                    }
                }
            }
            for (_, weight) in row.iter_mut() {
                *weight *= 0.96;
            }
            let share = 0.04 / more.len().max(1) as f32;
            row.extend(more.into_iter().map(|joint| (joint, share)));
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
