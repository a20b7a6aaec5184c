//! Faults by name, planted in a plan document or in a scene that will be written as a GLB.
//!
//! The check pages plant them with `mutate` lines; a bench can plant the same ones in any character. What a fault
//! changes is exactly what its name says: a twisted joint's children, its skin and its clips stay where they were.

use std::ops::Range;

use glam::{DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::retarget;
use crate::export::{Scene, SceneChannel, SceneMesh};

/// A fault.
#[derive(Debug, Clone, PartialEq)]
pub enum Mutation {
    /// Turns a joint alone about an axis of its own, at bind and at rest; what hangs from it stays.
    Twist {
        /// The joint.
        joint: String,
        /// The axis, of unit length, in the joint's own frame.
        axis: DVec3,
        /// How far.
        degrees: f64,
    },
    /// Moves a joint's origin alone, at bind and at rest; what hangs from it stays.
    Move {
        /// The joint.
        joint: String,
        /// How far: the document's own units and axes.
        by: DVec3,
    },
    /// Gives a joint another name; references follow.
    Rename {
        /// The joint.
        joint: String,
        /// Its new name.
        name: String,
    },
    /// Exchanges the names of two joints; references follow.
    SwapNames {
        /// One joint.
        one: String,
        /// The other.
        other: String,
    },
    /// Hangs a joint from another one, or from nothing; it stays where it is.
    Parent {
        /// The joint.
        joint: String,
        /// The new parent's name, which a plan need not have; `None` for a root.
        parent: Option<String>,
    },
    /// Multiplies a joint's quaternion as written.
    Quaternion {
        /// The joint.
        joint: String,
        /// The factor.
        factor: f64,
    },
    /// Moves what hangs from a joint away from it at rest, after binding.
    Lengthen {
        /// The joint.
        joint: String,
        /// The factor on its length.
        factor: f64,
    },
    /// Turns a joint at rest, after binding; what hangs from it goes along.
    Pose {
        /// The joint.
        joint: String,
        /// The turn, in the joint's own frame.
        turn: DQuat,
    },
    /// Scales a joint at rest, after binding.
    Scale {
        /// The joint.
        joint: String,
        /// Per axis of its own.
        by: DVec3,
    },
    /// Scales a joint's bind matrix: as if it had been scaled when the skin was bound.
    Stretch {
        /// The joint.
        joint: String,
        /// Per axis of its own, none of them zero.
        by: DVec3,
    },
    /// Takes all weights away from vertices of the first skinned mesh.
    Unweight(Range<usize>),
    /// Overwrites their weights with NaN.
    NanWeights(Range<usize>),
    /// Multiplies their weights.
    ScaleWeights(Range<usize>, f64),
    /// Overwrites a joint index of a vertex of the first skinned mesh.
    JointIndex {
        /// The vertex.
        vertex: usize,
        /// The influence, from 0.
        slot: usize,
        /// The index.
        index: u16,
    },
    /// Leaves out the last inverse bind matrix of the first skin.
    DropBindMatrix,
    /// Multiplies the value of a key in the first channel of a clip.
    KeyFactor {
        /// The clip.
        clip: String,
        /// The key, from 0.
        key: usize,
        /// The factor.
        factor: f64,
    },
    /// Overwrites the time of a key in the first channel of a clip, seconds.
    KeyTime {
        /// The clip.
        clip: String,
        /// The key, from 0.
        key: usize,
        /// The time.
        seconds: f32,
    },
    /// Leaves a root out of the scene.
    OffScene {
        /// The joint.
        joint: String,
    },
    /// Overwrites the influences of vertices of the first skinned mesh: joints by name, a name twice if so told.
    Row {
        /// The vertices.
        vertices: Range<usize>,
        /// Joint and weight.
        row: Vec<(String, f32)>,
    },
    /// Gives a joint a share of vertices of the first skinned mesh; the others keep the rest.
    Blend {
        /// The vertices.
        vertices: Range<usize>,
        /// The joint.
        joint: String,
        /// Its weight afterwards.
        weight: f32,
    },
    /// Puts a vertex of the first skinned mesh somewhere; not finite is possible.
    Position {
        /// The vertex.
        vertex: usize,
        /// Where.
        to: [f32; 3],
    },
    /// Adds a triangle to the first skinned mesh, whether it has the vertices or not.
    Triangle([u32; 3]),
    /// Adds a small box to the first skinned mesh; its −X half follows one joint, its +X half another.
    Box {
        /// Its middle.
        at: [f32; 3],
        /// Half its width.
        half: f32,
        /// The joints.
        joints: [String; 2],
    },
    /// Leaves an attribute of the first skinned mesh out of the file.
    LeaveOut(String),
    /// Says a node as the skeleton of the first skin.
    Skeleton {
        /// The node's name.
        node: String,
    },
    /// Moves and stretches a joint's bind matrix, in the last skin that has the joint.
    Rebind {
        /// The joint.
        joint: String,
        /// Metres, in the mesh's space.
        by: DVec3,
        /// Factors on the joint's own axes.
        scale: DVec3,
        /// What the matrix' last number becomes.
        corner: f32,
    },
    /// Moves the node that draws the first skinned mesh.
    PlaceMesh(DVec3),
}

impl Mutation {
    /// Whether a plan has what the fault changes.
    pub fn fits_a_plan(&self) -> bool {
        matches!(
            self,
            Self::Twist { .. }
                | Self::Move { .. }
                | Self::Rename { .. }
                | Self::SwapNames { .. }
                | Self::Parent { .. }
                | Self::Quaternion { .. }
        )
    }

    /// Plants the fault in a plan document.
    ///
    /// # Errors
    /// A joint that the plan does not have, or a fault that no plan can have, in words.
    pub fn plant_in_plan(&self, plan: &mut Value) -> Result<(), String> {
        match self {
            Self::Twist { joint, axis, degrees } => {
                let turn = DQuat::from_axis_angle(*axis, degrees.to_radians());
                let joint = plan_joint(plan, joint)?;
                joint["orientation"] = json!((orientation(joint) * turn).to_array());
            }
            Self::Quaternion { joint, factor } => {
                let joint = plan_joint(plan, joint)?;
                joint["orientation"] = json!(orientation(joint).to_array().map(|c| c * factor));
            }
            Self::Move { joint, by } => {
                let joint = plan_joint(plan, joint)?;
                let origin: [f64; 3] =
                    serde_json::from_value(joint["origin"].clone()).map_err(|error| error.to_string())?;
                joint["origin"] = json!((DVec3::from_array(origin) + *by).to_array());
            }
            Self::Parent { joint, parent } => plan_joint(plan, joint)?["parent"] = json!(parent),
            Self::Rename { joint, name } => {
                plan_joint(plan, joint)?;
                rename_in_plan(plan, joint, name);
            }
            Self::SwapNames { one, other } => {
                plan_joint(plan, one)?;
                plan_joint(plan, other)?;
                // No document holds a name with this character, so nothing is renamed twice.
                rename_in_plan(plan, one, "\u{1}");
                rename_in_plan(plan, other, one);
                rename_in_plan(plan, "\u{1}", other);
            }
            _ => return Err("a plan has nothing that this fault changes".into()),
        }
        Ok(())
    }

    /// Plants the fault in a scene.
    ///
    /// # Errors
    /// A joint, vertex or skin that the scene does not have, in words.
    pub fn plant_in_scene(&self, scene: &mut Scene) -> Result<(), String> {
        match self {
            Self::Twist { joint, axis, degrees } => {
                let node = scene_joint(scene, joint)?;
                retarget::twist(scene, node, DQuat::from_axis_angle(*axis, degrees.to_radians()));
            }
            Self::Move { joint, by } => {
                let node = scene_joint(scene, joint)?;
                retarget::shift(scene, node, *by)?;
            }
            Self::Rename { joint, name } => {
                let node = scene_joint(scene, joint)?;
                scene.nodes[node].name = Some(name.clone());
            }
            Self::SwapNames { one, other } => {
                let (one, other) = (scene_joint(scene, one)?, scene_joint(scene, other)?);
                let name = scene.nodes[one].name.take();
                scene.nodes[one].name = std::mem::replace(&mut scene.nodes[other].name, name);
            }
            Self::Parent { joint, parent } => {
                let node = scene_joint(scene, joint)?;
                let parent = parent.as_ref().map(|parent| scene_joint(scene, parent)).transpose()?;
                retarget::hang(scene, node, parent)?;
            }
            Self::Quaternion { joint, factor } => {
                let node = scene_joint(scene, joint)?;
                scene.nodes[node].rotation = scene.nodes[node].rotation.map(|c| c * factor);
            }
            Self::Lengthen { joint, factor } => {
                let node = scene_joint(scene, joint)?;
                let joints: Vec<usize> = scene.skins.iter().flat_map(|skin| skin.joints.clone()).collect();
                for (index, below) in scene.nodes.iter_mut().enumerate() {
                    if below.parent == Some(node) && (joints.is_empty() || joints.contains(&index)) {
                        below.translation = below.translation.map(|c| c * factor);
                    }
                }
            }
            Self::Pose { joint, turn } => {
                let node = scene_joint(scene, joint)?;
                let rotation = &mut scene.nodes[node].rotation;
                *rotation = (DQuat::from_array(*rotation) * *turn).to_array();
            }
            Self::Scale { joint, by } => {
                let node = scene_joint(scene, joint)?;
                scene.nodes[node].scale = by.to_array();
            }
            Self::Stretch { joint, by } => {
                let node = scene_joint(scene, joint)?;
                for skin in &mut scene.skins {
                    let slot = skin.joints.iter().position(|at| *at == node);
                    if let (Some(slot), Some(list)) = (slot, &mut skin.inverse_bind) {
                        let bind = glam::Mat4::from_cols_array(&list[slot]);
                        list[slot] = (glam::Mat4::from_scale(by.recip().as_vec3()) * bind).to_cols_array();
                    }
                }
            }
            Self::Unweight(vertices) => rows(scene, vertices)?.for_each(|row| *row = vec![(0, 0.0)]),
            Self::NanWeights(vertices) => rows(scene, vertices)?.flatten().for_each(|(_, w)| *w = f32::NAN),
            Self::ScaleWeights(vertices, factor) => {
                rows(scene, vertices)?.flatten().for_each(|(_, w)| *w *= *factor as f32);
            }
            Self::JointIndex { vertex, slot, index } => {
                for row in rows(scene, &(*vertex..vertex + 1))? {
                    if row.len() <= *slot {
                        row.resize(slot + 1, (0, 0.0));
                    }
                    row[*slot].0 = *index;
                }
            }
            Self::DropBindMatrix => {
                let list = scene.skins.first_mut().and_then(|skin| skin.inverse_bind.as_mut());
                list.and_then(Vec::pop).ok_or("no skin has bind matrices")?;
            }
            Self::KeyFactor { clip, key, factor } => {
                let channel = first_channel(scene, clip)?;
                let count = channel.times.len().max(1);
                let width = channel.values.len() / count;
                let group = channel.values.chunks_mut(width.max(1)).nth(*key);
                let group = group.ok_or_else(|| format!("{clip} has {count} keys"))?;
                for c in group {
                    *c *= *factor as f32;
                }
            }
            Self::KeyTime { clip, key, seconds } => {
                let times = &mut first_channel(scene, clip)?.times;
                let count = times.len();
                *times.get_mut(*key).ok_or_else(|| format!("{clip} has {count} keys"))? = *seconds;
            }
            Self::OffScene { joint } => {
                let node = scene_joint(scene, joint)?;
                if scene.nodes[node].parent.is_some() {
                    return Err(format!("{joint} is no root"));
                }
                scene.off_scene.push(node);
            }
            Self::Row { vertices, row } => {
                let row = row.iter().map(|(joint, w)| Ok((slot(scene, joint)?, *w)));
                let row: Vec<(u16, f32)> = row.collect::<Result<_, String>>()?;
                rows(scene, vertices)?.for_each(|old| old.clone_from(&row));
            }
            Self::Blend { vertices, joint, weight } => {
                let slot = slot(scene, joint)?;
                for row in rows(scene, vertices)? {
                    row.retain(|(joint, _)| *joint != slot);
                    let rest: f32 = row.iter().map(|(_, w)| *w).sum();
                    let factor = if rest > 0.0 { (1.0 - weight) / rest } else { 0.0 };
                    for (_, share) in row.iter_mut() {
                        *share *= factor;
                    }
                    row.push((slot, *weight));
                }
            }
            Self::Position { vertex, to } => {
                let place = skinned(scene)?.positions.get_mut(*vertex);
                *place.ok_or_else(|| format!("there is no vertex {vertex}"))? = *to;
            }
            Self::Triangle(corners) => skinned(scene)?.indices.extend(corners),
            Self::Box { at, half, joints } => {
                let slots = [slot(scene, &joints[0])?, slot(scene, &joints[1])?];
                add_box(skinned(scene)?, *at, *half, slots);
            }
            Self::LeaveOut(attribute) => {
                let mesh = scene.meshes.iter().position(|mesh| !mesh.influences.is_empty());
                scene.left_out.push((mesh.ok_or("no mesh has skin")?, attribute.clone()));
            }
            Self::Skeleton { node } => {
                let named = |one: &crate::export::SceneNode| one.name.as_ref() == Some(node);
                let found = scene.nodes.iter().position(named).ok_or_else(|| nobody(node))?;
                scene.skeletons.push((0, found));
            }
            Self::Rebind { joint, by, scale, corner } => {
                let node = scene_joint(scene, joint)?;
                let matrix = scene.skins.iter_mut().rev().find_map(|skin| {
                    let slot = skin.joints.iter().position(|joint| *joint == node)?;
                    skin.inverse_bind.as_mut()?.get_mut(slot)
                });
                let matrix = matrix.ok_or_else(|| nobody(joint))?;
                let old = DMat4::from_cols_array(&matrix.map(f64::from));
                let new = DMat4::from_scale(*scale) * old * DMat4::from_translation(-*by);
                *matrix = new.to_cols_array().map(|number| number as f32);
                matrix[15] = *corner;
            }
            Self::PlaceMesh(by) => {
                let drawn = scene.nodes.iter_mut().find(|node| node.skin.is_some());
                drawn.ok_or("no mesh has skin")?.translation = by.to_array();
            }
        }
        Ok(())
    }
}

/// Plants a list of faults in a plan; names in them are those of the sound document.
///
/// # Errors
/// The first fault that cannot be planted, by its place in the list, and why.
pub fn plant_in_plan(plan: &mut Value, faults: &[Mutation]) -> Result<(), (usize, String)> {
    in_order(faults, |fault| fault.plant_in_plan(plan))
}

/// Plants a list of faults in a scene; names in them are those of the sound scene.
///
/// # Errors
/// The first fault that cannot be planted, by its place in the list, and why.
pub fn plant_in_scene(scene: &mut Scene, faults: &[Mutation]) -> Result<(), (usize, String)> {
    in_order(faults, |fault| fault.plant_in_scene(scene))
}

/// Everything but renames, then renames by way of names that nothing else has.
fn in_order(
    faults: &[Mutation],
    mut plant: impl FnMut(&Mutation) -> Result<(), String>,
) -> Result<(), (usize, String)> {
    let (mut away, mut there) = (Vec::new(), Vec::new());
    for (place, fault) in faults.iter().enumerate() {
        if let Mutation::Rename { joint, name } = fault {
            let between = format!("\u{1}{place}");
            away.push((place, Mutation::Rename { joint: joint.clone(), name: between.clone() }));
            there.push((place, Mutation::Rename { joint: between, name: name.clone() }));
        } else {
            plant(fault).map_err(|message| (place, message))?;
        }
    }
    for (place, fault) in away.iter().chain(&there) {
        plant(fault).map_err(|message| (*place, message))?;
    }
    Ok(())
}

fn plan_joint<'p>(plan: &'p mut Value, name: &str) -> Result<&'p mut Value, String> {
    let joints = plan["joints"].as_array_mut().ok_or("the plan has no joints")?;
    joints.iter_mut().find(|joint| joint["name"] == name).ok_or_else(|| nobody(name))
}

fn scene_joint(scene: &Scene, name: &str) -> Result<usize, String> {
    let named = |node: &usize| scene.nodes[*node].name.as_deref() == Some(name);
    // Markers and drawn nodes may share a joint's name.
    let mut joints = scene.skins.iter().flat_map(|skin| skin.joints.iter().copied());
    joints.find(named).or_else(|| (0..scene.nodes.len()).find(named)).ok_or_else(|| nobody(name))
}

fn first_channel<'s>(scene: &'s mut Scene, clip: &str) -> Result<&'s mut SceneChannel, String> {
    let found = scene.clips.iter_mut().find(|known| known.name == clip);
    found.and_then(|clip| clip.channels.first_mut()).ok_or_else(|| format!("no clip is called {clip}"))
}

fn nobody(name: &str) -> String {
    format!("no joint is called {name}")
}

/// A plan joint's orientation; none is the identity.
fn orientation(joint: &Value) -> DQuat {
    let read: Option<[f64; 4]> =
        joint.get("orientation").and_then(|value| serde_json::from_value(value.clone()).ok());
    read.map_or(DQuat::IDENTITY, DQuat::from_array)
}

/// Renames the first joint of a name, and what refers to that name.
fn rename_in_plan(plan: &mut Value, from: &str, to: &str) {
    if let Ok(joint) = plan_joint(plan, from) {
        joint["name"] = json!(to);
    }
    let follow = |value: &mut Value| {
        if value == from {
            *value = json!(to);
        }
    };
    each_of(plan, "joints", |joint| joint.get_mut("parent").map(follow));
    each_of(plan, "pieces", |piece| piece.get_mut("carried_by").map(follow));
    each_of(plan, "parts", |part| each_of(part, "joints", follow));
    each_of(plan, "groups", |group| each_of(group, "joints", follow));
    each_of(plan, "roots", follow);
}

/// Visits a list that the document may not have.
fn each_of<T>(document: &mut Value, list: &str, visit: impl FnMut(&mut Value) -> T) {
    let list = document.get_mut(list).and_then(Value::as_array_mut);
    list.into_iter().flatten().map(visit).for_each(drop);
}

/// The influences of some vertices of the first skinned mesh.
fn rows<'s>(
    scene: &'s mut Scene,
    vertices: &Range<usize>,
) -> Result<impl Iterator<Item = &'s mut Vec<(u16, f32)>> + use<'s>, String> {
    let list = &mut skinned(scene)?.influences;
    let count = list.len();
    list.get_mut(vertices.clone())
        .map(<[_]>::iter_mut)
        .ok_or_else(|| format!("the first skinned mesh has {count} vertices"))
}

fn skinned(scene: &mut Scene) -> Result<&mut SceneMesh, String> {
    scene
        .meshes
        .iter_mut()
        .find(|mesh| !mesh.influences.is_empty())
        .ok_or_else(|| "no mesh has skin".to_owned())
}

/// A joint's place in the first skin.
fn slot(scene: &Scene, joint: &str) -> Result<u16, String> {
    let node = scene_joint(scene, joint)?;
    let slot = scene.skins.first().and_then(|skin| skin.joints.iter().position(|one| *one == node));
    slot.map(|slot| slot as u16).ok_or_else(|| format!("the first skin has no {joint}"))
}

fn add_box(mesh: &mut SceneMesh, at: [f32; 3], half: f32, slots: [u16; 2]) {
    let first = mesh.positions.len() as u32;
    for corner in 0..8_usize {
        let side = |axis: usize| if corner >> axis & 1 == 1 { half } else { -half };
        mesh.positions.push([at[0] + side(0), at[1] + side(1), at[2] + side(2)]);
        mesh.influences.push(vec![(slots[corner & 1], 1.0)]);
    }
    for [a, b, c, d] in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
        mesh.indices.extend([a, b, c, a, c, d].map(|corner: u32| first + corner));
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use super::*;
    use crate::intake::{Bundle, Limits, Upload, read};
    use crate::model::Rig;

    const EEL: &str = "gltf\njoint trunk at 0 0.2 0 parent none\njoint mid at 0.1 0.2 -0.4\n\
        joint tail at 0 0.25 -0.8 tip 0 0.3 -1\njoint fin at 0.1 0.3 -0.5 tip 0.3 0.3 -0.5 parent mid\n\
        piece bell by mid at 0.1 0.1 -0.4\nframes\nbody tubes radius 0.04\nclip swim rotate mid 0 20 0\n";

    fn rig(text: &str) -> Rig {
        let bytes = super::super::build(text).unwrap();
        let model = Some(Upload { name: "eel", bytes: &bytes });
        read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap().rig
    }

    /// Node by node the world transforms, the mesh space at bind joint by joint, and where the clip's keys take a node.
    fn places(rig: &Rig) -> (Vec<DMat4>, Vec<DMat4>, Vec<DQuat>) {
        let worlds = rig.nodes.iter().map(|node| node.world).collect();
        let skin = &rig.skins[0];
        let inverse = skin.inverse_bind.as_ref().unwrap();
        let spaces = skin.joints.iter().zip(inverse).map(|(j, m)| rig.joints[j.index()].rest * *m).collect();
        let channel = &rig.clips[0].channels[0];
        let keys = (0..channel.times.len()).map(|key| {
            let q: [f64; 4] = std::array::from_fn(|at| f64::from(channel.key(key).unwrap()[at]));
            DQuat::from_array(q)
        });
        (worlds, spaces, keys.collect())
    }

    fn close(a: &DMat4, b: &DMat4) -> bool {
        a.abs_diff_eq(*b, 1e-6)
    }

    #[test]
    fn a_twist_turns_one_joint_and_nothing_else() {
        let (sound, spoilt) = (rig(EEL), rig(&format!("{EEL}mutate twist mid 30\n")));
        let (before, after) = (places(&sound), places(&spoilt));
        let turn = DMat4::from_rotation_y(30_f64.to_radians());
        for (node, (a, b)) in before.0.iter().zip(&after.0).enumerate() {
            let wanted = if node == 1 { *a * turn } else { *a };
            assert!(close(&wanted, b), "node {node}");
        }
        assert!(before.1.iter().zip(&after.1).all(|(a, b)| close(a, b)), "the skin stays bound");
        for (a, b) in before.2.iter().zip(&after.2) {
            assert!(
                (*a * DQuat::from_mat4(&turn)).dot(*b).abs() > 1.0 - 1e-6,
                "the clip moves the skin as it did"
            );
        }
    }

    #[test]
    fn a_moved_joint_leaves_its_children_and_its_skin() {
        let (sound, spoilt) = (rig(EEL), rig(&format!("{EEL}mutate move mid 0.05 0 0.02\n")));
        let (before, after) = (places(&sound), places(&spoilt));
        for (node, (a, b)) in before.0.iter().zip(&after.0).enumerate() {
            let by = if node == 1 { DVec3::new(0.05, 0.0, 0.02) } else { DVec3::ZERO };
            assert!(close(&(DMat4::from_translation(by) * *a), b), "node {node}");
        }
        assert!(before.1.iter().zip(&after.1).all(|(a, b)| close(a, b)), "the skin stays bound");
    }

    #[test]
    fn a_joint_hung_elsewhere_stays_where_it_was() {
        let (sound, spoilt) = (rig(EEL), rig(&format!("{EEL}mutate parent fin tail\n")));
        assert!(places(&sound).0.iter().zip(&places(&spoilt).0).all(|(a, b)| close(a, b)));
        assert_eq!(spoilt.nodes[3].parent.map(crate::model::NodeId::index), Some(2));
    }

    #[test]
    fn weights_and_bind_matrices_are_spoilt_as_told() {
        let spoilt = rig(&format!(
            "{EEL}mutate scale-weights 3 0.5\nmutate joint-index 5 99 3\nmutate drop-bind-matrix\n"
        ));
        let set = &spoilt.meshes[0].primitives[0].influences[0];
        let sum = |vertex: usize| set.weights[vertex].iter().sum::<f32>();
        assert!((sum(2) - 0.5).abs() < 1e-6 && (sum(3) - 1.0).abs() < 1e-6);
        assert_eq!(set.joints[5][3], 99);
        assert_eq!(spoilt.skins[0].inverse_bind.as_ref().unwrap().len(), 3);
    }

    #[test]
    fn references_follow_a_name_and_two_names_change_places() {
        let mut plan = json!({"joints": [{"name": "a", "origin": [0, 0, 0]}, {"name": "b", "parent": "a"}],
            "parts": [{"joints": ["a", "b"]}], "roots": ["a"]});
        let swap = Mutation::SwapNames { one: "a".into(), other: "b".into() };
        swap.plant_in_plan(&mut plan).unwrap();
        assert_eq!(
            plan,
            json!({"joints": [{"name": "b", "origin": [0, 0, 0]}, {"name": "a", "parent": "b"}],
            "parts": [{"joints": ["b", "a"]}], "roots": ["b"]})
        );
        let lost = Mutation::Quaternion { joint: "c".into(), factor: 2.0 };
        assert_eq!(lost.plant_in_plan(&mut plan).unwrap_err(), "no joint is called c");
        assert!(Mutation::DropBindMatrix.plant_in_plan(&mut plan).is_err());
    }

    #[test]
    fn what_cannot_be_planted_is_told_with_its_line() {
        let told =
            |fault: &str| super::super::build(&format!("{EEL}mutate {fault}\n")).unwrap_err().to_string();
        assert_eq!(told("off-scene tail"), "line 10: tail is no root");
        assert_eq!(told("parent trunk tail"), "line 10: no glTF can hold a loop of parents");
        assert_eq!(told("unweight 9999"), "line 10: the first skinned mesh has 160 vertices");
    }
}
