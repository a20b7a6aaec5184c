//! Faults of skins and their bind matrices.

use glam::{DMat4, DVec3};

use crate::export::{Scene, SceneMesh, SceneNode};
use crate::model::JointId;
use crate::testing::plant::{Document, Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter { check: "bind/count", band: None, plan: false, gltf: true, far: None, plant: count },
    Planter {
        check: "bind/mixed-skins",
        band: Some("moved"),
        plan: false,
        gltf: true,
        far: Some(0.5),
        plant: mixed_skins,
    },
    Planter {
        check: "bind/older-skeleton",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: older_skeleton,
    },
    Planter { check: "bind/singular", band: None, plan: false, gltf: true, far: None, plant: singular },
    Planter {
        check: "bind/skeleton-root",
        band: None,
        plan: false,
        gltf: true,
        far: None,
        plant: skeleton_root,
    },
];

/// A scene, and a skin with bind matrices of two joints or more.
fn bound(site: &mut Site<'_>) -> Option<(Scene, usize)> {
    let Document::Scene(scene) = &site.ground.document else { return None };
    let fits = |skin: &usize| {
        let skin = &scene.skins[*skin];
        skin.inverse_bind.as_ref().is_some_and(|list| list.len() == skin.joints.len() && list.len() > 1)
    };
    let list: Vec<usize> = (0..scene.skins.len()).filter(fits).collect();
    let skin = site.random.pick(&list)?;
    Some((scene.clone(), skin))
}

/// The last matrices are left out.
fn count(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, skin) = bound(site)?;
    let list = scene.skins[skin].inverse_bind.as_mut()?;
    let joints = list.len();
    let kept = 1 + site.random.below(joints - 1);
    list.truncate(kept);
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/skins/{skin}")],
        what: format!("skin {skin} has {kept} matrices for {joints} joints"),
    })
}

/// A matrix loses an axis, gets one twice, has a last row, or is no number.
fn singular(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, skin) = bound(site)?;
    let list = scene.skins[skin].inverse_bind.as_mut()?;
    let slot = site.random.below(list.len());
    let matrix = list.get_mut(slot)?;
    let axis = site.random.below(3);
    let what = match site.random.below(4) {
        0 => {
            matrix[axis * 4..axis * 4 + 3].fill(0.0);
            "loses an axis"
        }
        1 => {
            let other = (axis + 1) % 3;
            let column: [f32; 3] = std::array::from_fn(|row| matrix[other * 4 + row]);
            matrix[axis * 4..axis * 4 + 3].copy_from_slice(&column);
            "has an axis twice"
        }
        2 => {
            matrix[axis * 4 + 3] = (0.01 + site.random.unit()) as f32;
            "has a last row"
        }
        _ => {
            matrix[axis * 4 + 1] = f32::NAN;
            "is no number"
        }
    };
    let node = scene.skins[skin].joints[slot];
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/nodes/{node}")],
        what: format!("matrix {slot} of skin {skin} {what}"),
    })
}

/// The skeleton that a skin names is one of its joints, below which not all others hang.
fn skeleton_root(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, skin) = bound(site)?;
    let joints = &scene.skins[skin].joints;
    let up = |node: &usize| scene.nodes[*node].parent;
    let below = |node: usize, root: usize| std::iter::successors(Some(node), up).any(|at| at == root);
    let inner: Vec<usize> =
        (0..scene.nodes.len()).filter(|root| joints.iter().any(|node| !below(*node, *root))).collect();
    let node = site.random.pick(&inner)?;
    scene.skeletons.push((skin, node));
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/skins/{skin}")],
        what: format!("the skeleton of skin {skin} is node {node}"),
    })
}

/// A layer of the skin is bound with a joint elsewhere: a skin that there is, or one made for a few triangles.
fn mixed_skins(site: &mut Site<'_>) -> Option<Planted> {
    let (mut scene, first) = bound(site)?;
    let facts = site.facts;
    let second = |scene: &Scene| {
        let shares = |skin: &usize| {
            let bound = scene.skins[*skin].inverse_bind.as_ref();
            bound.is_some_and(|list| list.len() == scene.skins[*skin].joints.len())
                && facts.rig().skins[*skin].joints.iter().any(|joint| {
                    facts.bind().slot[joint.index()].is_some_and(|(skin_of, _)| skin_of.index() != *skin)
                })
        };
        (0..scene.skins.len()).filter(shares).collect::<Vec<usize>>()
    };
    let known = second(&scene);
    let (skin, space) = match site.random.pick(&known) {
        Some(skin) => (skin, skin),
        None => (layer(&mut scene, first)?, first),
    };
    let rig = facts.rig();
    let joints: Vec<JointId> = rig.skins[space]
        .joints
        .iter()
        .copied()
        .filter(|joint| facts.bind().joints[joint.index()].basis.determinant() > 0.9)
        .filter(|joint| {
            skin != space || facts.bind().slot[joint.index()].is_some_and(|one| one.0.index() != skin)
        })
        .collect();
    let joint = site.random.pick(&joints)?;
    let slot = rig.skins[space].joints.iter().position(|one| *one == joint)?;
    let to_world = facts.bind().skins[space].mesh_to_world;
    let by = site.random.direction() * site.amount * facts.s();
    let by = to_world.inverse().transform_vector3(by);
    let matrix = scene.skins[skin].inverse_bind.as_mut()?.get_mut(slot)?;
    // Where the joint is in this layer now, against the other one: nowhere else.
    let old = DMat4::from_cols_array(&matrix.map(f64::from));
    let stands = (to_world * old.inverse()).w_axis.truncate();
    if stands.distance(facts.origin(joint)) > 0.05 * site.limit * facts.s() {
        return None;
    }
    let new = old * DMat4::from_translation(-by);
    *matrix = new.to_cols_array().map(|number| number as f32);
    let node = scene.skins[skin].joints[slot];
    Some(Planted {
        document: Document::Scene(scene),
        subjects: vec![format!("/nodes/{node}")],
        what: format!("skin {skin} has {} {:.4} of S off", site.name(joint), site.amount),
    })
}

/// A second skin like the first, on a copy of the first triangles of its mesh.
fn layer(scene: &mut Scene, skin: usize) -> Option<usize> {
    let node = scene.nodes.iter().find(|node| node.skin == Some(skin) && node.mesh.is_some())?;
    let (node, mesh) = (node.clone(), node.mesh?);
    let old = &scene.meshes[mesh];
    let indices: Vec<u32> = old.indices.iter().copied().take(30).collect();
    let pick = |list: &[[f32; 3]]| indices.iter().filter_map(|at| list.get(*at as usize).copied()).collect();
    let layer = SceneMesh {
        name: "layer".into(),
        positions: pick(&old.positions),
        influences: indices.iter().filter_map(|at| old.influences.get(*at as usize).cloned()).collect(),
        indices: (0..indices.len() as u32).collect(),
        colour: old.colour,
        ..SceneMesh::default()
    };
    scene.meshes.push(layer);
    scene.skins.push(scene.skins[skin].clone());
    let new = scene.skins.len() - 1;
    scene.nodes.push(SceneNode {
        name: Some("layer".into()),
        mesh: Some(scene.meshes.len() - 1),
        skin: Some(new),
        translation: DVec3::ZERO.to_array(),
        ..node
    });
    Some(new)
}

/// A joint is taken out of the plan, or called otherwise, after the body was bound.
fn older_skeleton(site: &mut Site<'_>) -> Option<Planted> {
    let Document::Dressed(plan, body) = &site.ground.document else { return None };
    let (mut plan, body) = (plan.clone(), body.clone());
    let joints = site.joints();
    let bound = |joint: &JointId| {
        let name = site.facts.rig().joints[joint.index()].name.as_deref();
        let nodes = body.skins.iter().flat_map(|skin| &skin.joints);
        nodes.into_iter().any(|node| body.nodes[*node].name.as_deref() == name)
    };
    let joints: Vec<JointId> = joints.into_iter().filter(bound).collect();
    let joint = site.random.pick(&joints)?;
    let name = site.name(joint).to_owned();
    let what = if site.random.below(2) == 0 {
        let fault = crate::testing::Mutation::Rename { joint: name.clone(), name: format!("{name}_new") };
        fault.plant_in_plan(&mut plan).ok()?;
        format!("the plan calls {name} {name}_new")
    } else {
        let parent = plan["joints"][joint.index()]["parent"].clone();
        let gone = |value: &serde_json::Value| *value == name.as_str();
        let list = plan["joints"].as_array_mut()?;
        list.remove(joint.index());
        for one in list.iter_mut().filter(|one| gone(&one["parent"])) {
            one["parent"] = parent.clone();
        }
        for part in plan["parts"].as_array_mut().into_iter().flatten() {
            part["joints"].as_array_mut()?.retain(|one| !gone(one));
        }
        format!("the plan has no {name}")
    };
    Some(Planted { document: Document::Dressed(plan, body), subjects: vec![String::new()], what })
}
