//! Faults of influences and weights.

pub(super) mod file;
pub(super) mod smooth;
pub(super) mod stray;

use serde_json::json;

use super::{Document, Planted, Planter, Site};
use crate::export::Scene;
use crate::model::{JointId, Role};

pub(super) const PLANTERS: &[Planter] = &[
    Planter { check: "skin/bad-joint", band: None, plan: false, gltf: true, far: None, plant: bad_joint },
    Planter {
        check: "skin/carried-joint-weighted",
        band: None,
        plan: true,
        gltf: true,
        far: None,
        plant: carried_joint,
    },
    Planter {
        check: "skin/sum",
        band: Some("float-warning"),
        plan: false,
        gltf: true,
        far: Some(0.9),
        plant: sum,
    },
    Planter { check: "skin/unweighted", band: None, plan: false, gltf: true, far: None, plant: unweighted },
];

/// A mesh that is drawn with a skin: its number, and how many joints the skin has.
fn skinned(site: &mut Site<'_>) -> Option<(Scene, usize, usize)> {
    let Document::Scene(scene) = &site.ground.document else { return None };
    let drawn: Vec<(usize, usize)> = scene
        .nodes
        .iter()
        .filter_map(|node| Some((node.mesh?, scene.skins.get(node.skin?)?.joints.len())))
        .filter(|(mesh, _)| scene.meshes[*mesh].influences.len() > 3)
        .collect();
    let (mesh, joints) = site.random.pick(&drawn)?;
    Some((scene.clone(), mesh, joints))
}

/// A few vertices, next to each other in the file.
fn some(site: &mut Site<'_>, count: usize) -> std::ops::Range<usize> {
    let many = 1 + site.random.below(count.min(20));
    let from = site.random.below(count - many + 1);
    from..from + many
}

fn primitive(mesh: usize) -> Vec<String> {
    vec![format!("/meshes/{mesh}/primitives/0"), format!("/meshes/{mesh}")]
}

fn bad_joint(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, joints) = skinned(site)?;
    let rows = &mut scene.meshes[mesh].influences;
    let vertex = site.random.below(rows.len());
    let slot = site.random.below(rows[vertex].len());
    let index = joints + site.random.below(400);
    let influence = rows[vertex].get_mut(slot)?;
    influence.0 = u16::try_from(index).ok()?;
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("vertex {vertex} of mesh {mesh} names joint {index} of {joints}"),
    })
}

fn unweighted(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, _) = skinned(site)?;
    let rows = &mut scene.meshes[mesh].influences;
    let vertices = some(site, rows.len());
    let nan = site.random.below(3) == 0;
    for row in &mut rows[vertices.clone()] {
        if nan {
            for (_, weight) in row.iter_mut() {
                *weight = f32::NAN;
            }
        } else {
            row.clear();
        }
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("vertices {vertices:?} of mesh {mesh} have {}", if nan { "NaN" } else { "no weights" }),
    })
}

fn sum(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, mesh, _) = skinned(site)?;
    let rows = &mut scene.meshes[mesh].influences;
    let vertices = some(site, rows.len());
    let factor = 1.0 - site.amount;
    for (_, weight) in rows[vertices.clone()].iter_mut().flatten() {
        *weight = (f64::from(*weight) * factor) as f32;
    }
    Some(Planted {
        document: Document::Scene(scene),
        subjects: primitive(mesh),
        what: format!("the weights of vertices {vertices:?} of mesh {mesh} add up to {factor}"),
    })
}

fn carried_joint(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    if let Some(mut plan) = site.spoilt_plan() {
        let carriers: Vec<JointId> = rig
            .pieces
            .iter()
            .filter_map(|piece| piece.carried_by.clone().ok())
            .filter(|joint| rig.joints[joint.index()].role == Some(Role::Carrying))
            .collect();
        let joint = site.draw(&carriers)?;
        plan["joints"][joint.index()]["role"] = json!("deforming");
        return Some(Planted {
            document: Document::Plan(plan),
            subjects: vec![site.pointer(joint)],
            what: format!("{} is left deforming", site.name(joint)),
        });
    }
    // A mesh that hangs from a joint of the skin, which then gets weight.
    let (mut scene, mesh, _) = skinned(site)?;
    let skin = scene.nodes.iter().find(|node| node.mesh == Some(mesh))?.skin?;
    let carries = |node: usize| {
        scene
            .nodes
            .iter()
            .any(|child| child.parent == Some(node) && child.mesh.is_some() && child.skin.is_none())
    };
    let slots: Vec<usize> =
        (0..scene.skins[skin].joints.len()).filter(|slot| carries(scene.skins[skin].joints[*slot])).collect();
    let slot = site.draw(&slots)?;
    let node = scene.skins[skin].joints[slot];
    let rows = &mut scene.meshes[mesh].influences;
    let vertices = some(site, rows.len());
    rows[vertices.clone()].iter_mut().for_each(|row| *row = vec![(slot as u16, 1.0)]);
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/nodes/{node}")],
        what: format!("node {node} carries a mesh and moves vertices {vertices:?}"),
    })
}
