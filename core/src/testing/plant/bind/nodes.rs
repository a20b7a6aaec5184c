//! Faults of the nodes that carry skinned meshes.

use glam::{DMat4, DQuat, DVec3};

use crate::export::{Scene, SceneNode};
use crate::model::NodeId;
use crate::testing::plant::{Document, Planted, Planter, Site, node_pointer};

pub(in super::super) const PLANTERS: &[Planter] = &[Planter {
    check: "bind/ignored-transform",
    band: Some("moved"),
    plan: false,
    gltf: true,
    far: Some(1.0),
    plant: ignored_transform,
}];

/// Bind matrices and rest pose agree to this share of the largest number among them.
const AGREE: f64 = 1e-4;

fn local(node: &SceneNode) -> DMat4 {
    DMat4::from_scale_rotation_translation(
        DVec3::from_array(node.scale),
        DQuat::from_array(node.rotation),
        DVec3::from_array(node.translation),
    )
}

fn world(scene: &Scene, node: usize) -> DMat4 {
    let mut at = scene.nodes.get(node);
    let mut all = DMat4::IDENTITY;
    // A cycle would have been refused; the count bounds it all the same.
    for _ in 0..scene.nodes.len() {
        let Some(one) = at else { break };
        all = local(one) * all;
        at = one.parent.and_then(|parent| scene.nodes.get(parent));
    }
    all
}

fn alike(a: &DMat4, b: &DMat4) -> bool {
    let largest = a.to_cols_array().into_iter().fold(1.0, |most: f64, c| most.max(c.abs()));
    a.abs_diff_eq(*b, AGREE * largest)
}

/// The node of a skinned mesh is moved. Legal are nodes that stand where every joint of the skin draws the mesh, with
/// nothing below them.
fn ignored_transform(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Scene(scene) = &site.ground.document else { return None };
    let mut scene = scene.clone();
    let stands = |node: &usize| {
        let it = &scene.nodes[*node];
        let (Some(mesh), Some(skin)) = (it.mesh, it.skin.and_then(|skin| scene.skins.get(skin))) else {
            return false;
        };
        // Positions in whole steps get their size from the bind matrices: no node could draw them in place.
        let whole = scene.meshes[mesh].positions.iter().flatten().all(|c| c.fract() == 0.0);
        let own = world(&scene, *node);
        let bound = skin.inverse_bind.as_ref().filter(|list| list.len() == skin.joints.len());
        let agrees = |(joint, matrix): (&usize, &[f32; 16])| {
            let inverse = DMat4::from_cols_array(&matrix.map(f64::from));
            alike(&(world(&scene, *joint) * inverse), &own)
        };
        !whole
            && bound.is_some_and(|list| skin.joints.iter().zip(list).all(agrees))
            && scene.nodes.iter().all(|other| other.parent != Some(*node))
            && scene.skins.iter().all(|skin| !skin.joints.contains(node))
    };
    let legal: Vec<usize> = (0..scene.nodes.len()).filter(stands).collect();
    let node = site.random.pick(&legal)?;
    let by = site.random.direction() * site.amount * site.facts.s();
    let above = scene.nodes[node].parent.map_or(DMat4::IDENTITY, |parent| world(&scene, parent));
    let moved = DVec3::from_array(scene.nodes[node].translation) + above.inverse().transform_vector3(by);
    scene.nodes[node].translation = moved.into();
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![node_pointer(NodeId::new(node))],
        what: format!("node {node}, which draws a skinned mesh, is moved by {:.4} of S", site.amount),
    })
}
