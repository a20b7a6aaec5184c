//! Sound rigs to plant in: plans and scenes of the demo characters, and scenes made from real models.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex};

use glam::DVec3;
use serde_json::Value;

use super::profile::profile;
use crate::check::{Request, Unobserved, run};
use crate::export::{
    Scene, SceneChannel, SceneClip, SceneMesh, SceneNode, ScenePath, SceneSkin, Storage, write_glb,
};
use crate::intake::{Bundle, Intake, Limits, Upload, read};
use crate::model::{ChannelPath, Local, Rig, Source};
use crate::report::{Finding, Report, Severity};

/// A document that faults can be planted in.
#[derive(Debug, Clone)]
pub enum Document {
    /// A plan.
    Plan(Value),
    /// A scene, written as a GLB.
    Scene(Scene),
}

impl Document {
    /// The file.
    pub fn bytes(&self) -> Vec<u8> {
        match self {
            Self::Plan(plan) => plan.to_string().into_bytes(),
            Self::Scene(scene) => write_glb(scene, &Storage::default()),
        }
    }
}

/// A sound rig, with the findings it has as it is.
pub struct Ground {
    /// What it is called in tables.
    pub name: String,
    /// The document.
    pub document: Document,
    /// The body beside a plan, as a GLB.
    pub body: Option<Vec<u8>>,
    /// What is read from it.
    pub intake: Intake,
    /// It was made by somebody else.
    pub real: bool,
    /// The profile it was made for, where it is a skeleton of a standard.
    pub made_for: Option<&'static str>,
    /// Its report as it is, by profile.
    sound: Mutex<BTreeMap<&'static str, Arc<Sound>>>,
}

/// What a sound rig's own findings are, under one profile.
pub(super) struct Sound {
    pub(super) report: Report,
    /// Check, subject and severity of each.
    pub(super) standing: BTreeSet<(String, String, Severity)>,
}

impl Ground {
    /// Reads a document and notes its standing findings.
    ///
    /// # Errors
    /// A document that builds no rig, in words.
    pub fn new(name: impl Into<String>, document: Document, real: bool) -> Result<Self, String> {
        Self::with_body(name, document, None, real)
    }

    /// A plan with the body it is for, or any document without.
    ///
    /// # Errors
    /// Documents that build no rig, in words.
    pub fn with_body(
        name: impl Into<String>,
        document: Document,
        body: Option<Vec<u8>>,
        real: bool,
    ) -> Result<Self, String> {
        let intake = read_bytes(&document.bytes(), body.as_deref())?;
        let sound = Mutex::default();
        let ground = Self { name: name.into(), document, body, intake, real, made_for: None, sound };
        ground.sound("realtime").map(|_| ground)
    }

    /// The standing findings under a profile.
    pub(super) fn sound(&self, name: &'static str) -> Result<Arc<Sound>, String> {
        let mut known = self.sound.lock().map_err(|error| error.to_string())?;
        if let Some(sound) = known.get(name) {
            return Ok(Arc::clone(sound));
        }
        let report = judge(&self.intake, name, None, &[], &[])?;
        let standing = report.findings.iter().map(key).collect();
        let sound = Arc::new(Sound { report, standing });
        known.insert(name, Arc::clone(&sound));
        Ok(sound)
    }

    /// Whether the rig has skin, joints and few enough vertices to be planted in thousands of times.
    pub fn fits(rig: &Rig, vertices: usize) -> bool {
        let count: usize =
            rig.meshes.iter().flat_map(|mesh| &mesh.primitives).map(|p| p.positions.len()).sum();
        let readable = rig.meshes.iter().flat_map(|mesh| &mesh.primitives).all(|p| p.readable);
        rig.source == Source::Gltf
            && !rig.skins.is_empty()
            && rig.skins.iter().all(|skin| !skin.bind_unread)
            && (4..=256).contains(&rig.joints.len())
            && readable
            && rig.unread.is_empty()
            && count <= vertices
    }
}

/// What tells a finding from another: check, subject, severity.
pub(super) fn key(finding: &Finding) -> (String, String, Severity) {
    (finding.check.clone(), finding.subject.name.clone(), finding.severity)
}

pub(super) fn read_bytes(bytes: &[u8], body: Option<&[u8]>) -> Result<Intake, String> {
    let planted = Some(Upload { name: "planted", bytes });
    let bundle = match body {
        Some(body) => Bundle {
            plan: planted,
            model: Some(Upload { name: "body.glb", bytes: body }),
            ..Bundle::default()
        },
        None => Bundle { model: planted, ..Bundle::default() },
    };
    read(&bundle, &Limits::default()).map_err(|fault| fault.to_string())
}

/// Judges a rig on a fixed day, by one of the bench's profiles; by every check unless some are named, or
/// left out.
pub(super) fn judge(
    intake: &Intake,
    name: &'static str,
    reference: Option<&Rig>,
    only: &[&str],
    skip: &[&str],
) -> Result<Report, String> {
    let day = jiff::civil::date(2026, 11, 25);
    let owned = |list: &[&str]| list.iter().map(|id| (*id).to_owned()).collect();
    let (only, skip) = (owned(only), owned(skip));
    let request = Request { reference, only, skip, ..Request::all(profile(name), day) };
    run(intake, &request, &Unobserved).map_err(|error| format!("{error:?}"))
}

/// A scene that is the rig: the same nodes by number, the same skins by number, one mesh for each primitive.
pub fn scene_of(rig: &Rig) -> Option<Scene> {
    let mut scene = Scene::default();
    for node in &rig.nodes {
        let (translation, rotation, scale) = match &node.local {
            Local::Trs { translation, rotation, scale } => (*translation, *rotation, *scale),
            Local::Matrix(matrix) => {
                let (scale, rotation, translation) = matrix.to_scale_rotation_translation();
                (translation, rotation.to_array(), scale)
            }
        };
        scene.nodes.push(SceneNode {
            name: node.name.clone(),
            parent: node.parent.map(|up| up.index()),
            translation: translation.to_array(),
            rotation,
            scale: scale.to_array(),
            mesh: None,
            skin: None,
        });
    }
    for (index, mesh) in rig.meshes.iter().enumerate() {
        for (number, primitive) in mesh.primitives.iter().enumerate() {
            let vertices = primitive.positions.len();
            let mut influences = Vec::new();
            if !primitive.influences.is_empty() {
                let sets = &primitive.influences;
                if sets.iter().any(|set| set.joints.len() != vertices || set.weights.len() != vertices) {
                    return None;
                }
                influences.extend((0..vertices).map(|vertex| {
                    let all = sets.iter().flat_map(|set| {
                        set.joints[vertex].iter().copied().zip(set.weights[vertex].iter().copied())
                    });
                    all.filter(|(_, weight)| *weight != 0.0).collect::<Vec<_>>()
                }));
            }
            let here = scene.meshes.len();
            scene.meshes.push(SceneMesh {
                name: mesh.name.clone().unwrap_or_else(|| format!("mesh {index}")),
                positions: primitive.positions.clone(),
                normals: Vec::new(),
                indices: primitive.triangles.iter().flatten().copied().collect(),
                influences,
                colour: [0.6, 0.6, 0.6, 1.0],
                ..SceneMesh::default()
            });
            for user in &mesh.users {
                let skin = rig.nodes[user.index()].skin.map(|skin| skin.index());
                if number == 0 {
                    scene.nodes[user.index()].mesh = Some(here);
                    scene.nodes[user.index()].skin = skin;
                } else {
                    scene.nodes.push(SceneNode {
                        name: None,
                        parent: Some(user.index()),
                        translation: DVec3::ZERO.to_array(),
                        rotation: [0.0, 0.0, 0.0, 1.0],
                        scale: DVec3::ONE.to_array(),
                        mesh: Some(here),
                        skin,
                    });
                }
            }
        }
    }
    for (index, skin) in rig.skins.iter().enumerate() {
        let joints: Option<Vec<usize>> =
            skin.joints.iter().map(|joint| rig.joints[joint.index()].node.map(|node| node.index())).collect();
        let matrices = skin.inverse_bind.as_ref();
        scene.skins.push(SceneSkin {
            name: skin.name.clone().unwrap_or_else(|| format!("skin {index}")),
            joints: joints?,
            inverse_bind: matrices.map(|list| list.iter().map(|m| m.as_mat4().to_cols_array()).collect()),
        });
    }
    for (index, clip) in rig.clips.iter().enumerate() {
        let channels = clip.channels.iter().filter(|channel| channel.readable).filter_map(|channel| {
            Some(SceneChannel {
                node: channel.node?.index(),
                path: match channel.path {
                    ChannelPath::Translation => ScenePath::Translation,
                    ChannelPath::Rotation => ScenePath::Rotation,
                    ChannelPath::Scale => ScenePath::Scale,
                    ChannelPath::Weights | ChannelPath::Other => return None,
                },
                interpolation: channel.interpolation,
                times: channel.times.to_vec(),
                values: channel.values.to_vec(),
            })
        });
        let channels: Vec<SceneChannel> = channels.collect();
        if !channels.is_empty() {
            let name = clip.name.clone().unwrap_or_else(|| format!("clip {index}"));
            scene.clips.push(SceneClip { name, channels });
        }
    }
    scene.off_scene = (0..rig.nodes.len())
        .filter(|node| rig.nodes[*node].parent.is_none() && !rig.nodes[*node].in_scene)
        .collect();
    Some(scene)
}
