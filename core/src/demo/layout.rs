//! A character's layout: tapered chains, pieces and a clip; and how it becomes a plan and a model.

use std::collections::BTreeMap;

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::Character;
use super::field::{Cone, union};
use super::nets::polygonise;
use crate::export::{Scene, SceneChannel, SceneClip, SceneMesh, SceneNode, ScenePath, SceneSkin};
use crate::finding::{quaternion_json, round, vector_json};
use crate::model::Interpolation;

/// A joint of the layout.
#[derive(Debug, Clone)]
pub(super) struct Bone {
    pub(super) name: String,
    pub(super) parent: Option<usize>,
    pub(super) cone: Cone,
    pub(super) turn: DQuat,
    /// It only carries a piece and is no part of the skin.
    pub(super) carrying: bool,
}

/// A part as the plan will say it.
#[derive(Debug, Clone)]
struct PartSpec {
    name: String,
    kind: &'static str,
    side: &'static str,
    bones: Vec<usize>,
    asymmetric: bool,
}

/// A rigid object.
#[derive(Debug, Clone)]
struct PieceSpec {
    name: String,
    bone: usize,
    shape: Cone,
    colour: [f32; 4],
}

/// A point of a chain: place and radius, metres.
pub(super) type Station = ([f64; 3], f64);

/// Everything a character is made of.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) bones: Vec<Bone>,
    parts: Vec<PartSpec>,
    pieces: Vec<PieceSpec>,
    feet: Vec<(String, DVec3)>,
    swings: Vec<(usize, DVec3, f64)>,
    blend: f64,
    colour: [f32; 4],
}

impl Layout {
    pub(super) fn new(blend: f64, colour: [f32; 4]) -> Self {
        Self {
            bones: Vec::new(),
            parts: Vec::new(),
            pieces: Vec::new(),
            feet: Vec::new(),
            swings: Vec::new(),
            blend,
            colour,
        }
    }

    /// The bone of a name; the layouts below only ask for names they made.
    pub(super) fn find(&self, name: &str) -> Option<usize> {
        self.bones.iter().position(|bone| bone.name == name)
    }

    #[expect(clippy::too_many_arguments, reason = "a row of the layouts reads like a table")]
    /// A chain of one bone fewer than stations. `bend` is the world direction that the bend axis (+X) starts near.
    pub(super) fn chain(
        &mut self,
        part: &str,
        kind: &'static str,
        side: &'static str,
        parent: Option<&str>,
        names: &[&str],
        stations: &[Station],
        bend: DVec3,
    ) {
        let mut up = parent.and_then(|name| self.find(name));
        let mut across = bend;
        let points: Vec<DVec3> = stations.iter().map(|station| DVec3::from_array(station.0)).collect();
        let ways: Vec<DVec3> = points.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let longest = |a: &usize, b: &usize| {
            let pair = |at: usize| ways[at - 1].length() + ways[at].length();
            pair(*a).total_cmp(&pair(*b))
        };
        let hinge = if ways.len() <= 3 { Some(1) } else { (1..ways.len()).max_by(longest) };
        if let (true, Some(hinge)) = (matches!(kind, "arm" | "leg") && ways.len() > 1, hinge) {
            // A hinge bends about the normal of its limb's plane; the joints above lead up to it without twist.
            let normal = ways[hinge - 1].cross(ways[hinge]).normalize_or(bend);
            across = if normal.dot(bend) < 0.0 { -normal } else { normal };
            for at in (1..hinge).rev() {
                let (from, to) = (ways[at].normalize_or(DVec3::Y), ways[at - 1].normalize_or(DVec3::Y));
                across = DQuat::from_rotation_arc(from, to) * across;
            }
        }
        let mut previous: Option<DVec3> = None;
        let mut bones = Vec::new();
        for (name, pair) in names.iter().zip(stations.windows(2)) {
            let (a, b) = (DVec3::from_array(pair[0].0), DVec3::from_array(pair[1].0));
            let along = (b - a).normalize_or(DVec3::Y);
            // The bend axis is carried from segment to segment by the smallest rotation: no twist.
            if let Some(previous) = previous {
                across = DQuat::from_rotation_arc(previous, along) * across;
            }
            across = across.reject_from_normalized(along).normalize_or(along.any_orthonormal_vector());
            previous = Some(along);
            let basis = DMat3::from_cols(across, along, across.cross(along));
            self.bones.push(Bone {
                name: (*name).to_owned(),
                parent: up,
                cone: Cone { a, b, ra: pair[0].1, rb: pair[1].1 },
                turn: DQuat::from_mat3(&basis).normalize(),
                carrying: false,
            });
            up = Some(self.bones.len() - 1);
            bones.extend(up);
        }
        self.parts.push(PartSpec { name: part.to_owned(), kind, side, bones, asymmetric: false });
    }

    /// A chain on the left (names end in `_l`), and its mirror image on the right.
    pub(super) fn twins(
        &mut self,
        part: &str,
        kind: &'static str,
        parent: &str,
        names: &[&str],
        stations: &[Station],
        bend: DVec3,
    ) {
        let first = self.bones.len();
        let left_names: Vec<String> = names.iter().map(|name| format!("{name}_l")).collect();
        let borrowed: Vec<&str> = left_names.iter().map(String::as_str).collect();
        self.chain(&format!("{part}_l"), kind, "left", Some(parent), &borrowed, stations, bend);
        let count = self.bones.len() - first;
        let swap =
            |name: &str| name.strip_suffix("_l").map_or_else(|| name.to_owned(), |stem| format!("{stem}_r"));
        let mirror = |p: DVec3| DVec3::new(-p.x, p.y, p.z);
        let mut bones = Vec::new();
        for index in first..first + count {
            let left = self.bones[index].clone();
            let basis = DMat3::from_quat(left.turn);
            let flipped = DMat3::from_cols(-mirror(basis.x_axis), mirror(basis.y_axis), mirror(basis.z_axis));
            let parent = left.parent.map(|up| {
                if up >= first { up + count } else { self.find(&swap(&self.bones[up].name)).unwrap_or(up) }
            });
            self.bones.push(Bone {
                name: swap(&left.name),
                parent,
                cone: Cone { a: mirror(left.cone.a), b: mirror(left.cone.b), ..left.cone },
                turn: DQuat::from_mat3(&flipped).normalize(),
                carrying: false,
            });
            bones.push(self.bones.len() - 1);
        }
        self.parts.push(PartSpec {
            name: format!("{part}_r"),
            kind,
            side: "right",
            bones,
            asymmetric: false,
        });
    }

    /// Declares a part different from its twin.
    pub(super) fn asymmetric(&mut self, part: &str) {
        for found in self.parts.iter_mut().filter(|p| p.name == part) {
            found.asymmetric = true;
        }
    }

    /// A rigid object from `from` to `to`, carried by a joint of its own below `parent`.
    pub(super) fn piece(
        &mut self,
        name: &str,
        parent: &str,
        from: [f64; 3],
        to: [f64; 3],
        radius: f64,
        colour: [f32; 4],
    ) {
        let (a, b) = (DVec3::from_array(from), DVec3::from_array(to));
        let along = (b - a).normalize_or(DVec3::Y);
        let shape = Cone { a, b, ra: radius, rb: radius };
        self.bones.push(Bone {
            name: format!("{name}_hook"),
            parent: self.find(parent),
            cone: shape,
            turn: DQuat::from_rotation_arc(DVec3::Y, along),
            carrying: true,
        });
        self.pieces.push(PieceSpec { name: name.to_owned(), bone: self.bones.len() - 1, shape, colour });
    }

    /// A foot.
    pub(super) fn foot(&mut self, part: &str, contact: [f64; 3]) {
        self.feet.push((part.to_owned(), DVec3::from_array(contact)));
    }

    /// A joint that the clip swings about a local axis, degrees.
    pub(super) fn swing(&mut self, name: &str, axis: DVec3, degrees: f64) {
        if let Some(bone) = self.find(name) {
            self.swings.push((bone, axis, degrees));
        }
    }

    pub(super) fn build(&self, name: &str, vertices: usize) -> Character {
        Character { name: name.to_owned(), plan: self.plan(name), scene: self.scene(name, vertices) }
    }

    fn plan(&self, name: &str) -> Value {
        let joints: Vec<Value> = self
            .bones
            .iter()
            .map(|bone| {
                let parent = bone.parent.map(|up| self.bones[up].name.as_str());
                let mut joint = json!({"name": bone.name, "origin": vector_json(bone.cone.a),
                    "tip": vector_json(bone.cone.b), "orientation": quaternion_json(bone.turn), "parent": parent});
                if bone.carrying {
                    joint["role"] = json!("carrying");
                }
                joint
            })
            .collect();
        let names = |bones: &[usize]| bones.iter().map(|b| self.bones[*b].name.clone()).collect::<Vec<_>>();
        let parts: Vec<Value> = self
            .parts
            .iter()
            .map(|part| {
                let mut out = json!({"name": part.name, "kind": part.kind, "side": part.side, "joints": names(&part.bones)});
                if part.asymmetric {
                    out["asymmetric"] = json!(true);
                }
                out
            })
            .collect();
        let pieces: Vec<Value> = self
            .pieces
            .iter()
            .map(|piece| {
                json!({"name": piece.name, "carried_by": self.bones[piece.bone].name,
                    "pivot": vector_json(piece.shape.a), "size": round(piece.shape.a.distance(piece.shape.b) + 2.0 * piece.shape.ra)})
            })
            .collect();
        let feet: Vec<Value> = self
            .feet
            .iter()
            .map(|(part, contact)| json!({"part": part, "contact": vector_json(*contact)}))
            .collect();
        let root = self.bones.iter().find(|bone| bone.parent.is_none()).map(|bone| bone.name.clone());
        json!({"schema": "condyle.plan/1", "asset": name, "frame": {"up": "+y", "forward": "+z"},
            "axes": {"long": "+y", "bend": "+x"}, "joints": joints, "parts": parts, "feet": feet, "pieces": pieces,
            "roots": root.into_iter().collect::<Vec<_>>(), "body": {"files": [format!("{name}.glb")]}})
    }

    fn scene(&self, name: &str, vertices: usize) -> Scene {
        let mut scene = Scene::default();
        let node = |name: &str, parent| SceneNode {
            name: Some(name.to_owned()),
            parent,
            translation: [0.0; 3],
            rotation: [0.0, 0.0, 0.0, 1.0],
            scale: [1.0; 3],
            mesh: None,
            skin: None,
        };
        scene.nodes.push(node(name, None));
        let world = |bone: &Bone| DMat4::from_rotation_translation(bone.turn, bone.cone.a);
        for bone in &self.bones {
            let above = bone.parent.map_or(DMat4::IDENTITY, |up| world(&self.bones[up]));
            let (_, rotation, translation) = (above.inverse() * world(bone)).to_scale_rotation_translation();
            let mut joint = node(&bone.name, Some(bone.parent.map_or(0, |up| up + 1)));
            joint.translation = translation.to_array();
            joint.rotation = rotation.normalize().to_array();
            scene.nodes.push(joint);
        }
        let skinned: Vec<usize> = (0..self.bones.len()).filter(|b| !self.bones[*b].carrying).collect();
        let body = self.body(&skinned, vertices);
        scene.meshes.push(SceneMesh { name: format!("{name}-body"), ..body });
        let inverse_bind = skinned
            .iter()
            .map(|b| world(&self.bones[*b]).inverse().to_cols_array().map(|c| c as f32))
            .collect();
        scene.skins.push(SceneSkin {
            name: format!("{name}-skin"),
            joints: skinned.iter().map(|b| b + 1).collect(),
            inverse_bind: Some(inverse_bind),
        });
        scene.nodes.push(SceneNode {
            mesh: Some(0),
            skin: Some(0),
            ..node(&format!("{name}-body"), Some(0))
        });
        for piece in &self.pieces {
            let bone = &self.bones[piece.bone];
            let surface = polygonise(&[piece.shape], 1e-3, 160);
            let local = world(bone).inverse();
            let positions: Vec<[f32; 3]> = surface
                .positions
                .iter()
                .map(|p| local.transform_point3(*p).to_array().map(|c| c as f32))
                .collect();
            let indices: Vec<u32> = surface.triangles.iter().flatten().copied().collect();
            scene.meshes.push(SceneMesh {
                name: piece.name.clone(),
                normals: normals(&positions, &indices),
                positions,
                indices,
                influences: Vec::new(),
                colour: piece.colour,
            });
            let mesh = Some(scene.meshes.len() - 1);
            scene.nodes.push(SceneNode { mesh, ..node(&piece.name, Some(piece.bone + 1)) });
        }
        scene.clips.push(self.clip(&scene));
        scene
    }

    fn body(&self, skinned: &[usize], vertices: usize) -> SceneMesh {
        let cones: Vec<Cone> = skinned.iter().map(|b| self.bones[*b].cone).collect();
        let surface = polygonise(&cones, self.blend, vertices);
        // Neighbours in the tree may share a vertex, strangers that merely pass by may not.
        let slot: BTreeMap<usize, usize> =
            skinned.iter().enumerate().map(|(slot, bone)| (*bone, slot)).collect();
        let parent =
            |slot_of: usize| self.bones[skinned[slot_of]].parent.and_then(|up| slot.get(&up).copied());
        let related = |a: usize, b: usize| {
            a == b
                || parent(a) == Some(b)
                || parent(b) == Some(a)
                || (parent(a).is_some() && parent(a) == parent(b))
        };
        let influences = surface
            .positions
            .iter()
            .map(|p| {
                let distances: Vec<f64> = cones.iter().map(|c| c.distance(*p)).collect();
                let owner =
                    (0..cones.len()).min_by(|a, b| distances[*a].total_cmp(&distances[*b])).unwrap_or(0);
                let width = 0.45 * cones[owner].ra.max(cones[owner].rb) + self.blend * 0.5;
                let mut row: Vec<(u16, f64)> = (0..cones.len())
                    .filter(|other| related(owner, *other))
                    .map(|other| {
                        let fade = (1.0 - (distances[other] - distances[owner]) / width).clamp(0.0, 1.0);
                        (other as u16, fade * fade * (3.0 - 2.0 * fade))
                    })
                    .filter(|(_, weight)| *weight > 0.01)
                    .collect();
                row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
                row.truncate(4);
                let total: f64 = row.iter().map(|(_, weight)| weight).sum();
                row.into_iter().map(|(joint, weight)| (joint, (weight / total) as f32)).collect()
            })
            .collect();
        let step = 1e-4;
        let normals = surface
            .positions
            .iter()
            .map(|p| {
                let slope = |axis: DVec3| {
                    union(&cones, self.blend, *p + axis * step) - union(&cones, self.blend, *p - axis * step)
                };
                let gradient = DVec3::new(slope(DVec3::X), slope(DVec3::Y), slope(DVec3::Z));
                gradient.normalize_or(DVec3::Y).to_array().map(|c| c as f32)
            })
            .collect();
        SceneMesh {
            name: String::new(),
            normals,
            positions: surface.positions.iter().map(|p| p.to_array().map(|c| c as f32)).collect(),
            indices: surface.triangles.iter().flatten().copied().collect(),
            influences,
            colour: self.colour,
        }
    }

    /// Out and back: the first pose is the last.
    fn clip(&self, scene: &Scene) -> SceneClip {
        let channels = self
            .swings
            .iter()
            .map(|(bone, axis, degrees)| {
                let node = bone + 1;
                let rest = DQuat::from_array(scene.nodes[node].rotation);
                let values = [0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0, -0.5, 0.0]
                    .iter()
                    .flat_map(|share| {
                        let turn = rest * DQuat::from_axis_angle(*axis, (degrees * share).to_radians());
                        turn.to_array().map(|c| c as f32)
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
}

fn normals(positions: &[[f32; 3]], indices: &[u32]) -> Vec<[f32; 3]> {
    let mut sums = vec![DVec3::ZERO; positions.len()];
    let at = |index: u32| DVec3::from(positions[index as usize].map(f64::from));
    for triangle in indices.as_chunks::<3>().0 {
        let [a, b, c] = triangle.map(at);
        for corner in triangle {
            sums[*corner as usize] += (b - a).cross(c - a);
        }
    }
    sums.into_iter().map(|n| n.normalize_or(DVec3::Y).to_array().map(|c| c as f32)).collect()
}
