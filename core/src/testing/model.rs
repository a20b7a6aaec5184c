//! The scene that a text describes: one node per joint, tubes for skin, clips.

use std::f64::consts::TAU;

use glam::{DMat4, DQuat, DVec3};

use super::parse::{BodyLine, Text};
use crate::export::{Scene, SceneChannel, SceneClip, SceneMesh, SceneNode, ScenePath, SceneSkin};
use crate::model::Interpolation;

/// A tube around each segment of a joint that has no role, with weights blended over its ends.
fn tubes(text: &Text, body: &BodyLine, radius: f64) -> SceneMesh {
    let mut mesh = SceneMesh { colour: [0.6, 0.6, 0.6, 1.0], ..SceneMesh::default() };
    let slot = |joint: usize| body.joints.iter().position(|one| *one == joint).map(|slot| slot as u16);
    let plain = |joint: usize| text.joints[joint].role.is_none() && body.joints.contains(&joint);
    for index in (0..text.joints.len()).filter(|index| plain(*index)) {
        let joint = &text.joints[index];
        let above = joint.parent.filter(|up| plain(*up));
        let below = text.children(index).filter(|child| plain(*child));
        let mut ends: Vec<(DVec3, Option<usize>)> =
            below.map(|child| (text.joints[child].origin, Some(child))).collect();
        if let Some(tip) = joint.tip.filter(|tip| !ends.iter().any(|(end, _)| end.distance(*tip) < 1e-9)) {
            ends.push((tip, None));
        }
        for (end, child) in ends {
            let Some(along) = (end - joint.origin).try_normalize() else { continue };
            let aside = if along.z.abs() > 0.9 { DVec3::Y } else { DVec3::Z };
            let u = along.cross(aside).normalize();
            let v = along.cross(u);
            let first = mesh.positions.len() as u32;
            for ring in 0..body.rings {
                let at = f64::from(ring) / f64::from(body.rings - 1);
                let other = if at < 0.5 { above } else { child };
                // Half at the joint, whole from a quarter of the length on; the two always add up to one.
                let rest = other.map_or(0.0, |_| (0.5 - 2.0 * at.min(1.0 - at)).max(0.0)) as f32;
                for step in 0..body.sides {
                    let (sin, cos) = (TAU * f64::from(step) / f64::from(body.sides)).sin_cos();
                    let place = joint.origin.lerp(end, at) + (u * cos + v * sin) * radius;
                    mesh.positions.push(place.as_vec3().to_array());
                    let mut row = vec![(slot(index).unwrap_or(0), 1.0 - rest)];
                    if let Some(other) = other.filter(|_| rest > 0.0).and_then(slot) {
                        row.push((other, rest));
                    }
                    mesh.influences.push(row);
                }
            }
            for ring in 0..body.rings - 1 {
                for step in 0..body.sides {
                    let corner = |ring: u32, step: u32| first + ring * body.sides + step % body.sides;
                    let (a, b) = (corner(ring, step), corner(ring, step + 1));
                    let (c, d) = (corner(ring + 1, step), corner(ring + 1, step + 1));
                    mesh.indices.extend([a, b, c, b, d, c]);
                }
            }
        }
    }
    mesh
}

/// One run of rings along the joints, whose last one has a tip; weights blended as on tubes.
fn hose(text: &Text, body: &BodyLine, radius: f64) -> SceneMesh {
    let mut mesh = SceneMesh { colour: [0.6, 0.6, 0.6, 1.0], ..SceneMesh::default() };
    let mut line: Vec<DVec3> = body.joints.iter().map(|joint| text.joints[*joint].origin).collect();
    line.extend(body.joints.last().and_then(|joint| text.joints[*joint].tip));
    let along = |segment: usize| (line[segment + 1] - line[segment]).normalize_or_zero();
    let (segments, steps) = (line.len().saturating_sub(1), body.rings - 1);
    let mut u = along(0).any_orthonormal_vector();
    for ring in 0..=segments as u32 * steps {
        let segment = ((ring / steps) as usize).min(segments - 1);
        let at = f64::from(ring - segment as u32 * steps) / f64::from(steps);
        let ahead =
            if at == 0.0 && segment > 0 { along(segment) + along(segment - 1) } else { along(segment) };
        let ahead = ahead.normalize_or_zero();
        u = (u - ahead * u.dot(ahead)).normalize_or(u);
        let v = ahead.cross(u);
        let other = if at < 0.5 { segment.checked_sub(1) } else { Some(segment + 1) };
        let other = other.filter(|other| *other < body.joints.len());
        let rest = other.map_or(0.0, |_| (0.5 - 2.0 * at.min(1.0 - at)).max(0.0)) as f32;
        for step in 0..body.sides {
            let (sin, cos) = (TAU * f64::from(step) / f64::from(body.sides)).sin_cos();
            let place = line[segment].lerp(line[segment + 1], at) + (u * cos + v * sin) * radius;
            mesh.positions.push(place.as_vec3().to_array());
            let mut row = vec![(segment.min(body.joints.len() - 1) as u16, 1.0 - rest)];
            row.extend(other.filter(|_| rest > 0.0).map(|other| (other as u16, rest)));
            mesh.influences.push(row);
            if ring > 0 {
                let corner = |ring: u32, step: u32| ring * body.sides + step % body.sides;
                let (a, b) = (corner(ring - 1, step), corner(ring - 1, step + 1));
                let (c, d) = (corner(ring, step), corner(ring, step + 1));
                mesh.indices.extend([a, b, c, b, d, c]);
            }
        }
    }
    mesh
}

/// The sound scene: faults are planted afterwards.
pub(super) fn scene(text: &Text) -> Scene {
    let text = &text.enlarged();
    let mut scene = Scene::default();
    let binds: Vec<DMat4> =
        text.joints.iter().map(|j| DMat4::from_rotation_translation(j.turn, j.origin)).collect();
    for (joint, bind) in text.joints.iter().zip(&binds) {
        let (offset, turn) = match joint.parent {
            Some(up) => (
                binds[up].inverse().transform_point3(joint.origin),
                (text.joints[up].turn.inverse() * joint.turn).normalize(),
            ),
            None => (bind.w_axis.truncate(), joint.turn),
        };
        scene.nodes.push(node(&joint.name, joint.parent, offset, turn));
    }
    // The end of a last joint is a bare node, as exporters leave it.
    for (index, joint) in text.joints.iter().enumerate() {
        if let Some(tip) = joint.tip.filter(|_| text.children(index).next().is_none()) {
            let offset = binds[index].inverse().transform_point3(tip);
            scene.nodes.push(node(&format!("{}_end", joint.name), Some(index), offset, DQuat::IDENTITY));
        }
    }
    for (number, body) in text.bodies.iter().enumerate() {
        let count = if number == 0 { String::new() } else { format!("_{}", number + 1) };
        let radius = body.radius * text.enlarge;
        let mesh = if body.hose { hose(text, body, radius) } else { tubes(text, body, radius) };
        scene.meshes.push(SceneMesh { name: format!("body{count}"), ..mesh });
        let inverse = body.joints.iter().map(|j| binds[*j].inverse().as_mat4().to_cols_array()).collect();
        scene.skins.push(SceneSkin {
            name: format!("skin{count}"),
            joints: body.joints.clone(),
            inverse_bind: Some(inverse),
        });
        let bare = node(&format!("body{count}"), body.under, DVec3::ZERO, DQuat::IDENTITY);
        scene.nodes.push(SceneNode { mesh: Some(number), skin: Some(number), ..bare });
    }
    for piece in &text.pieces {
        let offset = piece.at.map_or(DVec3::ZERO, |at| binds[piece.by].inverse().transform_point3(at));
        let corner = (0.05 * text.enlarge) as f32;
        scene.meshes.push(SceneMesh {
            name: piece.name.clone(),
            positions: vec![[0.0; 3], [corner, 0.0, 0.0], [0.0, corner, 0.0]],
            indices: vec![0, 1, 2],
            ..SceneMesh::default()
        });
        let bare = node(&piece.name, Some(piece.by), offset, DQuat::IDENTITY);
        scene.nodes.push(SceneNode { mesh: Some(scene.meshes.len() - 1), ..bare });
    }
    if text.stage {
        let stage = scene.nodes.len();
        scene
            .nodes
            .iter_mut()
            .filter(|node| node.parent.is_none())
            .for_each(|node| node.parent = Some(stage));
        let bare = node("stage", None, DVec3::ZERO, DQuat::IDENTITY);
        scene.nodes.push(SceneNode { scale: [1.0 / text.enlarge; 3], ..bare });
    }
    scene.clips = clips(text, &scene);
    scene
}

fn node(name: &str, parent: Option<usize>, translation: DVec3, rotation: DQuat) -> SceneNode {
    SceneNode {
        name: Some(name.to_owned()),
        parent,
        translation: translation.to_array(),
        rotation: rotation.to_array(),
        scale: [1.0; 3],
        mesh: None,
        skin: None,
    }
}

/// Lines that follow each other under one name are channels of one clip.
fn clips(text: &Text, scene: &Scene) -> Vec<SceneClip> {
    let mut list: Vec<SceneClip> = Vec::new();
    for clip in &text.clips {
        let node = &scene.nodes[clip.joint];
        let (offset, turn) = (DVec3::from_array(node.translation), DQuat::from_array(node.rotation));
        let cubic = clip.interpolation == Interpolation::CubicSpline;
        let mut values: Vec<f32> = Vec::new();
        for value in &clip.values {
            let key: Vec<f32> = match clip.path {
                ScenePath::Rotation => {
                    (turn * DQuat::from_rotation_x(value.to_radians())).to_array().map(|c| c as f32).to_vec()
                }
                ScenePath::Translation => (offset * *value).as_vec3().to_array().to_vec(),
                ScenePath::Scale => vec![*value as f32; 3],
            };
            // A cubic spline with level tangents.
            let level = vec![0.0; if cubic { key.len() } else { 0 }];
            values.extend([level.clone(), key, level].into_iter().flatten());
        }
        let times = (0..clip.values.len()).map(|key| key as f32 * 0.5).collect();
        let channel = SceneChannel {
            node: clip.joint,
            path: clip.path,
            interpolation: clip.interpolation,
            times,
            values,
        };
        match list.last_mut().filter(|last| last.name == clip.name) {
            Some(last) => last.channels.push(channel),
            None => list.push(SceneClip { name: clip.name.clone(), channels: vec![channel] }),
        }
    }
    list
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]
mod tests {
    use super::super::build;
    use glam::{Mat4, Vec3};

    const EEL: &str = "gltf\njoint trunk at 0 0.2 0 parent none\njoint tail at 0 0.2 -0.4 tip 0 0.3 -0.8\n\
        joint lure at 0 0.4 0.2 role carrying parent trunk\npiece lantern by lure at 0 0.45 0.25\nframes\n\
        body tubes radius 0.04\nclip swim rotate tail 0 20 0\n";

    /// Another reader than ours accepts the file, and finds in it what was asked for.
    #[test]
    fn another_reader_finds_the_same_rig() {
        let bytes = build(EEL).unwrap();
        let file = gltf::Gltf::from_slice(&bytes).unwrap();
        let blob = file.blob.clone().unwrap();
        let skin = file.skins().next().unwrap();
        let read = skin.reader(|_| Some(&blob));
        let origins: Vec<Vec3> = read
            .read_inverse_bind_matrices()
            .unwrap()
            .map(|m| Mat4::from_cols_array_2d(&m).inverse().w_axis.truncate())
            .collect();
        let wanted = [Vec3::new(0.0, 0.2, 0.0), Vec3::new(0.0, 0.2, -0.4), Vec3::new(0.0, 0.4, 0.2)];
        assert!(origins.iter().zip(wanted).all(|(a, b)| a.distance(b) < 1e-6), "{origins:?}");
        let mesh = file.meshes().next().unwrap();
        let primitive = mesh.primitives().next().unwrap();
        let read = primitive.reader(|_| Some(&blob));
        let count = read.read_positions().unwrap().count();
        assert!(read.read_indices().unwrap().into_u32().all(|index| (index as usize) < count));
        for (joints, weights) in
            read.read_joints(0).unwrap().into_u16().zip(read.read_weights(0).unwrap().into_f32())
        {
            assert!((weights.iter().sum::<f32>() - 1.0).abs() < 1e-6);
            assert!(joints.iter().all(|joint| *joint < 2), "the joint that only carries moves no skin");
        }
        assert_eq!(file.animations().count(), 1);
        assert_eq!(file.nodes().filter(|node| node.mesh().is_some() && node.skin().is_none()).count(), 1);
    }
}
