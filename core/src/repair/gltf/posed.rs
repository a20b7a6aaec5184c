//! A model with a clip that walks through the worst poses of its joints: everything else stays as it is.
//!
//! The clip stands at bind at every even second and in one pose at every odd one. Findings are measured at bind, which the
//! rest pose of a file need not be, so the clip brings every joint there first.

use std::collections::BTreeMap;

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde_json::{Value, json};

use super::Session;
use super::bind::decompose;
use super::frames::matrix;
use super::store::Payload;
use crate::facts::Facts;
use crate::intake::{Bundle, Intake, Limits};
use crate::model::{JointId, Local, NodeId};
use crate::repair::container::Container;
use crate::sweep::{Shown, worst};

/// The name of the clip.
const NAME: &str = "worst poses";
/// Poses that are shown, the worst ones where there are more.
const MOST: usize = 512;
/// A joint nearer to its place at bind than this needs no key for that: fraction of one, and of the size of what it holds.
const AT_BIND: f64 = 1e-6;

/// A model that shows its worst poses.
#[derive(Debug)]
pub struct PosedModel {
    /// The file.
    pub bytes: Vec<u8>,
    /// How many poses the clip holds; with none the file is the input's.
    pub poses: usize,
    /// Joints whose pose no node can take, since something above them shears.
    pub left_out: Vec<JointId>,
}

/// Adds the clip. `model` is what was read of `bundle`'s model alone, `facts` those of it or of the plan that came with it.
///
/// # Errors
/// In words, why the clip cannot be added.
pub fn pose_model(
    bundle: &Bundle<'_>,
    model: &Intake,
    facts: &Facts<'_>,
    limits: &Limits,
) -> Result<PosedModel, String> {
    let facts = facts.body().unwrap_or(facts);
    let upload = bundle.model.ok_or("no model was given")?;
    let container = Container::split(upload.bytes).ok_or("the model is no glTF")?;
    let mut session = Session::new(&container, model, bundle, limits).ok_or("the model is no glTF")?;
    let mut shown = worst(facts);
    if shown.len() > MOST {
        shown.sort_by(|a, b| b.ratio.total_cmp(&a.ratio).then(a.joint.cmp(&b.joint)));
        shown.truncate(MOST);
        shown.sort_by_key(|one| one.joint);
    }
    let stage = Stage::new(facts)?;
    let (mut keys, mut told, mut left_out) = (stage.at_bind(), Vec::new(), Vec::new());
    for one in &shown {
        let begin = 2.0 * told.len() as f32;
        let Some(locals) = stage.posed(facts, one) else {
            left_out.push(one.joint);
            continue;
        };
        for (node, local) in locals {
            let list = keys.entry(node).or_default();
            list.push((begin, stage.locals[&node]));
            list.push((begin + 1.0, local));
            list.push((begin + 2.0, stage.locals[&node]));
        }
        told.push(said(model, one, begin + 1.0));
    }
    let poses = told.len();
    if poses > 0 {
        write(&mut session, &stage, keys, &told)?;
    }
    let bytes = session.finish()?.unwrap_or_else(|| upload.bytes.to_vec());
    Ok(PosedModel { bytes, poses, left_out })
}

/// What the clip says of one of its poses.
fn said(model: &Intake, one: &Shown, time: f32) -> Value {
    let joint = &model.rig.joints[one.joint.index()];
    json!({
        "time": time,
        "node": joint.node.map(|node| node.0),
        "joint": joint.name,
        "check": one.check,
        "axis": one.pose.axis.direction.to_array(),
        "degrees": one.pose.degrees,
    })
}

/// Translation, rotation, scale.
type Trs = (DVec3, DQuat, DVec3);

/// The nodes at bind.
struct Stage {
    /// By node.
    worlds: Vec<DMat4>,
    /// Of the nodes that are joints.
    locals: BTreeMap<usize, Trs>,
    /// Of those, which do not stand there at rest: translation, rotation, scale.
    away: BTreeMap<usize, [bool; 3]>,
}

impl Stage {
    fn new(facts: &Facts<'_>) -> Result<Self, String> {
        let rig = facts.rig();
        let mut this = Self {
            worlds: vec![DMat4::IDENTITY; rig.nodes.len()],
            locals: BTreeMap::new(),
            away: BTreeMap::new(),
        };
        let mut open: Vec<NodeId> =
            (0..rig.nodes.len()).map(NodeId::new).filter(|n| rig.nodes[n.index()].parent.is_none()).collect();
        while let Some(node) = open.pop() {
            let it = &rig.nodes[node.index()];
            let above = it.parent.map_or(DMat4::IDENTITY, |up| this.worlds[up.index()]);
            let rest = matrix(&it.local);
            let frame = it.joint.map(|joint| facts.bind().joints[joint.index()]);
            this.worlds[node.index()] = match frame {
                Some(frame) if frame.from_matrix => {
                    let [x, y, z] = [frame.basis.x_axis, frame.basis.y_axis, frame.basis.z_axis];
                    let basis = DMat3::from_cols(x * frame.scale.x, y * frame.scale.y, z * frame.scale.z);
                    DMat4::from_mat3_translation(basis, frame.origin)
                }
                _ => above * rest,
            };
            if it.joint.is_some() {
                let local = above.inverse() * this.worlds[node.index()];
                let name = it.name.as_deref().unwrap_or("a joint");
                let trs = decompose(local)
                    .ok_or_else(|| format!("no node can stand where {name} stands at bind"))?;
                let now =
                    decompose(rest).ok_or_else(|| format!("{name} has no frame that a key can change"))?;
                let near = |a: DVec3, b: DVec3| (a - b).length() <= AT_BIND * b.length().max(facts.s());
                let away = [
                    !near(trs.0, now.0),
                    trs.1.dot(now.1).abs() < 1.0 - AT_BIND * AT_BIND,
                    (trs.2 - now.2).abs().max_element() > AT_BIND * now.2.max_element(),
                ];
                this.locals.insert(node.index(), trs);
                this.away.insert(node.index(), away);
            }
            open.extend(&it.children);
        }
        Ok(this)
    }

    /// One key for each joint that does not stand at bind by itself.
    fn at_bind(&self) -> BTreeMap<usize, Vec<(f32, Trs)>> {
        let away = self.away.iter().filter(|(_, away)| away.contains(&true));
        away.map(|(node, _)| (*node, vec![(0.0, self.locals[node])])).collect()
    }

    /// The local transforms that change in a pose; nothing where a node cannot take one.
    fn posed(&self, facts: &Facts<'_>, one: &Shown) -> Option<Vec<(usize, Trs)>> {
        let rig = facts.rig();
        let origin = facts.origin(one.joint);
        let turn = DMat4::from_translation(origin)
            * DMat4::from_mat3(one.pose.rotation())
            * DMat4::from_translation(-origin);
        let nodes: Vec<usize> =
            one.moved.iter().filter_map(|joint| Some(rig.joints[joint.index()].node?.index())).collect();
        let mut sorted = nodes.clone();
        sorted.sort_unstable();
        // What hangs from something that moves comes along by itself.
        let carried = |node: usize| {
            std::iter::successors(rig.nodes[node].parent, |up| rig.nodes[up.index()].parent)
                .any(|up| sorted.binary_search(&up.index()).is_ok())
        };
        let tops = nodes.iter().copied().filter(|node| !carried(*node));
        tops.map(|node| {
            let above = rig.nodes[node].parent.map_or(DMat4::IDENTITY, |up| self.worlds[up.index()]);
            Some((node, decompose(above.inverse() * turn * self.worlds[node])?))
        })
        .collect()
    }
}

/// The keys of a node, each moment once.
fn write(
    session: &mut Session<'_>,
    stage: &Stage,
    keys: BTreeMap<usize, Vec<(f32, Trs)>>,
    told: &[Value],
) -> Result<(), String> {
    if session.document.length("/animations").is_none() {
        session.document.set("/animations", &json!([]))?;
    }
    let clip = json!({"name": NAME, "channels": [], "samplers": [], "extras": {"condyle": {"poses": told}}});
    let clip = session.document.push("/animations", &clip)?;
    let at = format!("/animations/{clip}");
    for (node, mut list) in keys {
        list.sort_by(|a, b| a.0.total_cmp(&b.0));
        list.dedup_by(|next, kept| next.0 == kept.0);
        // A node that a channel drives has no matrix (glTF 2.0 §3.5.3).
        if matches!(session.rig.nodes[node].local, Local::Matrix(_)) {
            let (place, turn, scale) = decompose(matrix(&session.rig.nodes[node].local))
                .ok_or("a node has a matrix that is no translation, rotation and scale")?;
            let there = format!("/nodes/{node}");
            session.document.remove(&format!("{there}/matrix"))?;
            session.document.set(&format!("{there}/translation"), &json!(place.to_array()))?;
            session.document.set(&format!("{there}/rotation"), &json!(turn.to_array()))?;
            session.document.set(&format!("{there}/scale"), &json!(scale.to_array()))?;
        }
        let times: Vec<f32> = list.iter().map(|key| key.0).collect();
        let away = stage.away[&node];
        let bind = stage.locals[&node];
        let moves = list.iter().any(|(_, key)| (key.0 - bind.0).length() > 0.0);
        let turns = list.iter().any(|(_, key)| key.1 != bind.1);
        for (path, kind, wanted) in [
            ("translation", "VEC3", away[0] || moves),
            ("rotation", "VEC4", away[1] || turns),
            ("scale", "VEC3", away[2]),
        ] {
            if !wanted {
                continue;
            }
            let mut before = bind.1;
            let values: Vec<f32> = list
                .iter()
                .flat_map(|(_, (place, turn, scale))| match path {
                    "translation" => place.to_array().to_vec(),
                    "scale" => scale.to_array().to_vec(),
                    _ => {
                        // The near one of the two quaternions of a turn.
                        before = if turn.dot(before) < 0.0 { -*turn } else { *turn };
                        before.to_array().to_vec()
                    }
                })
                .map(|number| number as f32)
                .collect();
            // Members that name accessors are set when those are written.
            let sampler =
                session.document.push(&format!("{at}/samplers"), &json!({"interpolation": "LINEAR"}))?;
            let channel = json!({"sampler": sampler, "target": {"node": node, "path": path}});
            session.document.push(&format!("{at}/channels"), &channel)?;
            let there = format!("{at}/samplers/{sampler}");
            session.payloads.insert(format!("{there}/input"), Payload::floats(&times, "SCALAR", true));
            session.payloads.insert(format!("{there}/output"), Payload::floats(&values, kind, false));
        }
    }
    Ok(())
}
