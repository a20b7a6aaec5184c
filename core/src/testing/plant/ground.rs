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
    /// A plan with its body beside it, of which either can be spoilt.
    Dressed(Value, Scene),
}

/// What is uploaded: the bytes of the plan, of the model, or of both.
#[derive(Debug, Clone, Default)]
pub struct Files {
    /// The plan.
    pub plan: Option<Vec<u8>>,
    /// The model.
    pub model: Option<Vec<u8>>,
}

impl Document {
    /// The files.
    pub fn files(&self) -> Files {
        let plan = |plan: &Value| Some(plan.to_string().into_bytes());
        let model = |scene: &Scene| Some(write_glb(scene, &Storage::default()));
        match self {
            Self::Plan(it) => Files { plan: plan(it), model: None },
            Self::Scene(it) => Files { plan: None, model: model(it) },
            Self::Dressed(it, body) => Files { plan: plan(it), model: model(body) },
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
    /// Its report as it is, by profile, without and with the pose sweep.
    sound: Mutex<BTreeMap<(&'static str, bool), Arc<Sound>>>,
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
        let intake = read_files(&Files { model: body.clone(), ..Files::default() }.with(document.files()))?;
        let sound = Mutex::default();
        let ground = Self { name: name.into(), document, body, intake, real, made_for: None, sound };
        ground.sound("realtime", false).map(|_| ground)
    }

    /// A document of this ground as files: a plan with the body that it is for.
    pub(super) fn files(&self, document: &Document) -> Files {
        Files { model: self.body.clone(), ..Files::default() }.with(document.files())
    }

    /// The standing findings under a profile.
    pub(super) fn sound(&self, name: &'static str, sweep: bool) -> Result<Arc<Sound>, String> {
        let mut known = self.sound.lock().map_err(|error| error.to_string())?;
        if let Some(sound) = known.get(&(name, sweep)) {
            return Ok(Arc::clone(sound));
        }
        let report = judge(&self.intake, name, None, &Scope { sweep, ..Scope::default() })?;
        let standing = report.findings.iter().map(key).collect();
        let sound = Arc::new(Sound { report, standing });
        known.insert((name, sweep), Arc::clone(&sound));
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

impl Files {
    /// What the other has goes before what is here.
    fn with(self, other: Self) -> Self {
        Self { plan: other.plan.or(self.plan), model: other.model.or(self.model) }
    }
}

pub(super) fn read_files(files: &Files) -> Result<Intake, String> {
    let plan = files.plan.as_ref().map(|bytes| Upload { name: "planted.plan.json", bytes });
    let model = files.model.as_ref().map(|bytes| Upload { name: "planted.glb", bytes });
    read(&Bundle { plan, model, ..Bundle::default() }, &Limits::default()).map_err(|fault| fault.to_string())
}

/// What is looked at: everything, unless some are named or left out.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Scope {
    pub(super) only: Option<&'static str>,
    pub(super) skip: Option<&'static str>,
    /// Whether the pose sweep runs.
    pub(super) sweep: bool,
}

/// Judges a rig on a fixed day, by one of the bench's profiles.
pub(super) fn judge(
    intake: &Intake,
    name: &'static str,
    reference: Option<&Rig>,
    scope: &Scope,
) -> Result<Report, String> {
    let day = jiff::civil::date(2026, 11, 25);
    let owned = |one: Option<&str>| one.map(str::to_owned).into_iter().collect();
    let (only, skip, sweep) = (owned(scope.only), owned(scope.skip), Some(scope.sweep));
    let request = Request { only, skip, reference, sweep, ..Request::all(profile(name), day) };
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
