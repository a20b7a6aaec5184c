//! A layout as a bound model.

use glam::{DMat3, DQuat, DVec3};

use super::layout::{Bone, Layout, Role};
use super::shape::Shape;
use super::surface::{Mould, Surface, polygonise};
use super::weights::{Weighting, reach};
use crate::export::{Scene, SceneChannel, SceneClip, SceneMesh, SceneNode, ScenePath, SceneSkin};
use crate::model::Interpolation;

/// The scene, and the bones of its skin in the order of its joints. All its meshes have about `vertices` vertices.
pub(super) fn scene(layout: &Layout, name: &str, vertices: usize) -> (Scene, Vec<usize>) {
    let mut scene = Scene::default();
    scene.nodes.push(node(name, None));
    for bone in &layout.bones {
        let mut joint = node(&bone.name, Some(bone.parent.map_or(0, |up| up + 1)));
        let (above, from) = bone
            .parent
            .map_or((DQuat::IDENTITY, DVec3::ZERO), |up| (layout.bones[up].turn, layout.bones[up].a));
        joint.translation = (above.inverse() * (bone.a - from)).to_array();
        joint.rotation = (above.inverse() * bone.turn).normalize().to_array();
        scene.nodes.push(joint);
    }
    let slots: Vec<usize> =
        (0..layout.bones.len()).filter(|b| layout.bones[*b].role == Role::Deforming).collect();
    let each = (vertices / 60).clamp(60, 2_000);
    let body = body(layout, &slots, vertices.saturating_sub(each * layout.pieces.len()).max(vertices / 3));
    scene.meshes.push(SceneMesh { name: format!("{name}-body"), ..body });
    scene.skins.push(SceneSkin {
        name: format!("{name}-skin"),
        joints: slots.iter().map(|b| b + 1).collect(),
        inverse_bind: Some(slots.iter().map(|b| inverse_bind(&layout.bones[*b])).collect()),
    });
    scene.nodes.push(SceneNode { mesh: Some(0), skin: Some(0), ..node(&format!("{name}-body"), Some(0)) });
    for piece in &layout.pieces {
        let mesh = match piece.twin {
            Some(twin) => mirrored(&scene.meshes[twin + 1]),
            None => object(&piece.shapes, &layout.bones[piece.bone], each),
        };
        let [r, g, b] = piece.colour;
        scene.meshes.push(SceneMesh { name: piece.name.clone(), colour: [r, g, b, 1.0], ..mesh });
        let mesh = Some(scene.meshes.len() - 1);
        scene.nodes.push(SceneNode { mesh, ..node(&piece.name, Some(piece.bone + 1)) });
    }
    scene.clips.push(clip(layout, &scene));
    (scene, slots)
}

fn node(name: &str, parent: Option<usize>) -> SceneNode {
    SceneNode {
        name: Some(name.to_owned()),
        parent,
        translation: [0.0; 3],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: None,
        skin: None,
    }
}

/// The inverse of a rigid frame: Rᵀ, −Rᵀ·t.
fn inverse_bind(bone: &Bone) -> [f32; 16] {
    let turn = DMat3::from_quat(bone.turn).transpose();
    let [x, y, z] = [turn.x_axis, turn.y_axis, turn.z_axis].map(|axis| axis.to_array());
    let t = (-(turn * bone.a)).to_array();
    let columns =
        [[x[0], x[1], x[2], 0.0], [y[0], y[1], y[2], 0.0], [z[0], z[1], z[2], 0.0], [t[0], t[1], t[2], 1.0]];
    let mut out = [0.0; 16];
    for (slot, value) in out.iter_mut().zip(columns.iter().flatten()) {
        *slot = *value as f32;
    }
    out
}

fn floats(v: DVec3) -> [f32; 3] {
    v.to_array().map(|c| c as f32)
}

fn body(layout: &Layout, slots: &[usize], vertices: usize) -> SceneMesh {
    let (shapes, twins) = layout.body();
    let surface = polygonise(&Mould { shapes: &shapes, twins: &twins, reach: &reach }, vertices);
    let weighting = Weighting::new(layout, &shapes);
    let mut slot_of = vec![0_u16; layout.bones.len()];
    for (slot, bone) in slots.iter().enumerate() {
        slot_of[*bone] = slot as u16;
    }
    let mut mesh = SceneMesh { colour: [1.0; 4], ..plain(&surface) };
    for (point, (flip, list)) in surface.positions.iter().zip(&surface.near) {
        let near = &surface.lists[*list as usize];
        let (row, colour) = weighting.row(&surface.shapes[usize::from(*flip)], near, *flip, *point);
        mesh.influences.push(row.into_iter().map(|(bone, weight)| (slot_of[bone], weight)).collect());
        let [r, g, b] = colour.map(|c| (c * 255.0).round().clamp(0.0, 255.0) as u8);
        mesh.colours.push([r, g, b, 255]);
    }
    mesh
}

fn plain(surface: &Surface) -> SceneMesh {
    SceneMesh {
        positions: surface.positions.iter().map(|p| floats(*p)).collect(),
        normals: surface.normals.iter().map(|n| floats(*n)).collect(),
        indices: surface.triangles.iter().flatten().copied().collect(),
        ..SceneMesh::default()
    }
}

/// A rigid object in its joint's frame.
fn object(shapes: &[Shape], bone: &Bone, vertices: usize) -> SceneMesh {
    let twins: Vec<usize> = (0..shapes.len()).collect();
    let mut surface = polygonise(&Mould { shapes, twins: &twins, reach: &|shape| shape.outer }, vertices);
    let back = bone.turn.inverse();
    for position in &mut surface.positions {
        *position = back * (*position - bone.a);
    }
    for normal in &mut surface.normals {
        *normal = back * *normal;
    }
    plain(&surface)
}

/// The image of an object in a twin's frame: the frames mirror by flipping x.
fn mirrored(mesh: &SceneMesh) -> SceneMesh {
    let flip = |[x, y, z]: [f32; 3]| [-x, y, z];
    SceneMesh {
        positions: mesh.positions.iter().copied().map(flip).collect(),
        normals: mesh.normals.iter().copied().map(flip).collect(),
        indices: mesh.indices.as_chunks::<3>().0.iter().flat_map(|[a, b, c]| [*a, *c, *b]).collect(),
        ..SceneMesh::default()
    }
}

/// Out and back: the first pose is the last.
fn clip(layout: &Layout, scene: &Scene) -> SceneClip {
    let channels = layout
        .swings
        .iter()
        .map(|(bone, axis, degrees)| {
            let node = bone + 1;
            let rest = DQuat::from_array(scene.nodes[node].rotation);
            let values = [0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0, -0.5, 0.0]
                .iter()
                .flat_map(|share| {
                    let turn = rest * DQuat::from_axis_angle(*axis, (degrees * share).to_radians());
                    turn.normalize().to_array().map(|c| c as f32)
                })
                .collect();
            SceneChannel {
                node,
                path: ScenePath::Rotation,
                interpolation: Interpolation::Linear,
                times: (0..9_u16).map(|key| f32::from(key) * 0.25).collect(),
                values,
            }
        })
        .collect();
    SceneClip { name: "idle".to_owned(), channels }
}
