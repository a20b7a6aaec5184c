//! A model that brings its own skeleton, for a trial bind without a plan: the skeleton is read as a plan.
//!
//! Its joints are those of the model's skins; without a skin the nodes that are plainly joints: nodes that draw nothing, carry no
//! camera and no light, hang together, and do not have the body itself below them. What hangs drawn from a joint is a piece.

use std::collections::BTreeSet;

use glam::{DMat4, DQuat};
use serde_json::{Map, Value, json};

use crate::facts::{BindFrame, Facts, TipKind, place_at_bind};
use crate::intake::{Fault, FaultKind, Intake, Limits, Place, plan};
use crate::model::{Joint, JointId, NodeId, Parent, Range, Rig};

/// A model as the plan of its own skeleton with a body.
#[derive(Debug)]
pub struct OwnSkeleton {
    /// The plan's rig with the model as its body; `plan` is the document.
    pub intake: Intake,
    /// The node of each joint.
    pub nodes: Vec<NodeId>,
}

/// Why a model's own skeleton cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoSkeleton {
    /// It has no joint.
    None,
    /// It is no model.
    NoModel,
    /// It makes no plan.
    Fault(Fault),
}

impl NoSkeleton {
    /// The reason, lower-case start, no final stop.
    pub fn reason(&self) -> String {
        match self {
            Self::None => "no plan came, and no node of the model is plainly a joint".into(),
            Self::NoModel => "there is no model to bind".into(),
            Self::Fault(fault) => format!("the model's skeleton makes no plan: {fault}"),
        }
    }
}

/// Reads a model's own skeleton as a plan.
///
/// Where every mesh is bound already, the plan is the skeleton at bind, of which those joints deform that have weights, and the
/// mesh stands as it was bound; else it is the rest pose, and every joint deforms.
///
/// # Errors
/// Without a skeleton.
pub fn own_skeleton(model: Intake, limits: &Limits) -> Result<OwnSkeleton, NoSkeleton> {
    if model.plan.is_some() {
        return Err(NoSkeleton::NoModel);
    }
    let mut rig = model.rig;
    if rig.joints.is_empty() {
        adopt(&mut rig, limits).map_err(NoSkeleton::Fault)?;
    }
    if rig.joints.is_empty() {
        return Err(NoSkeleton::None);
    }
    let found = Found::new(&rig);
    let document = document(&rig, &found);
    let mut own = plan::read("the model's skeleton", &document, limits).map_err(NoSkeleton::Fault)?;
    for (joint, place) in own.joints.iter_mut().zip(&found.places) {
        // With the scale that the node has: its bind matrix undoes it.
        joint.rest = *place;
    }
    let nodes = rig.joints.iter().filter_map(|joint| joint.node).collect();
    for (node, world) in found.worlds {
        rig.nodes[node.index()].world = world;
    }
    for (node, name) in found.renamed {
        rig.nodes[node.index()].name = Some(name);
    }
    // What is left is a body: meshes where they stand.
    for node in &mut rig.nodes {
        (node.joint, node.skin) = (None, None);
    }
    (rig.joints, rig.skins, rig.clips) = (Vec::new(), Vec::new(), Vec::new());
    (own.bytes, own.asset) = (rig.bytes, rig.asset.clone());
    own.body = Some(Box::new(rig));
    Ok(OwnSkeleton { intake: Intake { rig: own, plan: Some(document), ..model }, nodes })
}

/// Makes joints of the nodes that are plainly joints.
fn adopt(rig: &mut Rig, limits: &Limits) -> Result<(), Fault> {
    let count = rig.nodes.len();
    let mut wanted: Vec<bool> =
        rig.nodes.iter().map(|node| node.in_scene && node.mesh.is_none() && !node.camera_or_light).collect();
    let mut at = largest(rig).and_then(|body| rig.nodes[body.index()].parent);
    while let Some(node) = at {
        wanted[node.index()] = false;
        at = rig.nodes[node.index()].parent;
    }
    let joint_above = |node: &crate::model::Node| node.parent.filter(|up| wanted[up.index()]);
    let joined: BTreeSet<NodeId> = (0..count)
        .map(NodeId::new)
        .filter(|node| wanted[node.index()])
        .filter_map(|node| joint_above(&rig.nodes[node.index()]).map(|up| [node, up]))
        .flatten()
        .collect();
    let got = joined.len() as u64;
    if got > limits.joints {
        return Err(Fault {
            kind: FaultKind::Limit { limit: "joints", max: limits.joints, got },
            file: String::new(),
            place: Place::Pointer("/nodes".into()),
            message: format!("{got} joints are more than the limit of {}", limits.joints),
            rule: None,
        });
    }
    let list: Vec<NodeId> = joined.into_iter().collect();
    for (index, node) in list.iter().enumerate() {
        rig.nodes[node.index()].joint = Some(JointId::new(index));
    }
    for node in list {
        let this = &rig.nodes[node.index()];
        let above = this.parent.and_then(|up| rig.nodes[up.index()].joint);
        rig.joints.push(Joint {
            name: this.name.clone(),
            parent: above.map_or(Parent::Root, Parent::Joint),
            node: Some(node),
            rest: this.world,
            rotation: None,
            tip: None,
            role: None,
            range: Range::default(),
            part: None,
        });
    }
    Ok(())
}

/// The node with the most triangles.
fn largest(rig: &Rig) -> Option<NodeId> {
    let triangles = |node: &NodeId| {
        let mesh = rig.nodes[node.index()].mesh.map(|mesh| &rig.meshes[mesh.index()]);
        mesh.map_or(0, |mesh| {
            mesh.primitives.iter().map(|primitive| primitive.triangles.len()).sum::<usize>()
        })
    };
    let drawn = (0..rig.nodes.len()).map(NodeId::new).filter(|node| rig.nodes[node.index()].mesh.is_some());
    drawn.max_by_key(|node| (triangles(node), std::cmp::Reverse(node.0)))
}

/// What is known of the skeleton and of what it carries.
struct Found {
    /// Each joint's frame where its skin stands.
    places: Vec<DMat4>,
    /// Each joint's name, no two the same.
    names: Vec<String>,
    /// End markers, metres.
    tips: Vec<Option<[f64; 3]>>,
    /// Joints that moved no skin of a model whose meshes are bound already.
    idle: Vec<bool>,
    /// Pieces by name, and the joint that carries each.
    pieces: Vec<(String, JointId)>,
    /// Nodes whose mesh stands elsewhere than the node.
    worlds: Vec<(NodeId, DMat4)>,
    /// Names that pieces get, so that none is taken for another.
    renamed: Vec<(NodeId, String)>,
}

impl Found {
    fn new(rig: &Rig) -> Self {
        let facts = Facts::new(rig);
        let drawn =
            || (0..rig.nodes.len()).map(NodeId::new).filter(|node| rig.nodes[node.index()].mesh.is_some());
        let skinned = |node: NodeId| rig.nodes[node.index()].skin.is_some();
        // Where everything hangs from joints, the largest mesh is the body all the same.
        let hung = drawn().all(|node| !skinned(node) && carried(rig, node).is_some());
        let body = largest(rig).filter(|_| hung);
        let bound = !hung && drawn().all(|node| skinned(node) || carried(rig, node).is_some());
        let frames = rig.joints.iter().zip(&facts.bind().joints);
        let places: Vec<DMat4> = frames
            .map(|(joint, frame)| if bound && frame.from_matrix { matrix(frame) } else { joint.rest })
            .collect();
        let tips = facts.tips().iter().zip(&places).zip(&facts.bind().joints).map(|((tip, place), frame)| {
            // It is told where it is at bind.
            let there = *place * matrix(frame).inverse();
            let point = there.transform_point3(tip.point);
            (tip.kind == TipKind::Marker && point.is_finite()).then(|| point.to_array())
        });
        let tips = tips.collect();
        let idle = (0..rig.joints.len()).map(|joint| bound && !facts.deforms(JointId::new(joint))).collect();
        let mut names = Names::default();
        let mut joints = Vec::with_capacity(rig.joints.len());
        for (index, joint) in rig.joints.iter().enumerate() {
            let own = joint.name.as_deref().filter(|name| !name.is_empty());
            joints.push(names.free(own.map_or_else(|| format!("joint {index}"), str::to_owned)));
        }
        let mut things = Names::default();
        things.taken.extend(rig.meshes.iter().filter_map(|mesh| mesh.name.clone()));
        things.taken.extend(rig.nodes.iter().filter_map(|node| node.name.clone()));
        let (mut pieces, mut worlds, mut renamed) = (Vec::new(), Vec::new(), Vec::new());
        for node in drawn() {
            if skinned(node) || bound {
                worlds.push((node, place_at_bind(&facts, node)));
            }
            if !skinned(node)
                && body != Some(node)
                && let Some(joint) = carried(rig, node)
            {
                let name = things.free(format!("piece {}", node.0));
                renamed.push((node, name.clone()));
                pieces.push((name, joint));
            }
        }
        Self { places, names: joints, tips, idle, pieces, worlds, renamed }
    }
}

fn matrix(frame: &BindFrame) -> DMat4 {
    let columns = [frame.basis.x_axis, frame.basis.y_axis, frame.basis.z_axis];
    let [x, y, z] = [0, 1, 2].map(|axis| columns[axis] * frame.scale[axis]);
    DMat4::from_cols(x.extend(0.0), y.extend(0.0), z.extend(0.0), frame.origin.extend(1.0))
}

/// The joint that a node hangs from.
fn carried(rig: &Rig, node: NodeId) -> Option<JointId> {
    crate::facts::carrier(rig, node)
}

/// Names, each given once.
#[derive(Default)]
struct Names {
    taken: BTreeSet<String>,
    /// How often a name was asked for, so that the next free one is not looked for from the start.
    asked: std::collections::BTreeMap<String, u64>,
}

impl Names {
    fn free(&mut self, name: String) -> String {
        let mut free = name.clone();
        while self.taken.contains(&free) {
            let number = self.asked.entry(name.clone()).or_insert(1);
            *number += 1;
            free = format!("{name} {number}");
        }
        self.taken.insert(free.clone());
        free
    }
}

/// The plan of a skeleton.
fn document(rig: &Rig, found: &Found) -> Value {
    let carriers: BTreeSet<usize> = found.pieces.iter().map(|piece| piece.1.index()).collect();
    let joint = |(index, joint): (usize, &Joint)| {
        let place = found.places[index];
        let mut made = Map::new();
        made.insert("name".into(), json!(found.names[index]));
        made.insert("origin".into(), json!(place.w_axis.truncate().to_array()));
        if let Some(tip) = found.tips[index] {
            made.insert("tip".into(), json!(tip));
        }
        let parent = match joint.parent {
            Parent::Joint(up) => json!(found.names[up.index()]),
            _ => Value::Null,
        };
        made.insert("parent".into(), parent);
        if let Some(turn) = turn(place) {
            made.insert("orientation".into(), json!(turn.to_array()));
        }
        if found.idle[index] {
            let carries = carriers.contains(&index);
            made.insert("role".into(), json!(if carries { "carrying" } else { "control" }));
        }
        Value::Object(made)
    };
    let joints: Vec<Value> = rig.joints.iter().enumerate().map(joint).collect();
    let mut plan = Map::new();
    plan.insert("schema".into(), json!("condyle.plan/1"));
    plan.insert(
        "asset".into(),
        json!(rig.asset.as_deref().filter(|name| !name.is_empty()).unwrap_or("model")),
    );
    plan.insert("joints".into(), Value::Array(joints));
    if !found.pieces.is_empty() {
        let piece = |(name, joint): &(String, JointId)| json!({"name": name, "carried_by": found.names[joint.index()]});
        plan.insert("pieces".into(), found.pieces.iter().map(piece).collect());
    }
    Value::Object(plan)
}

/// The rotation of a frame, if it is one.
fn turn(place: DMat4) -> Option<DQuat> {
    let columns = [place.x_axis, place.y_axis, place.z_axis].map(|column| column.truncate().try_normalize());
    let [Some(x), Some(y), Some(z)] = columns else { return None };
    let right = x.cross(y).dot(z);
    // Sheared and mirrored frames have none.
    let turn = DQuat::from_mat3(&glam::DMat3::from_cols(x, y, z)).normalize();
    (right > 0.999 && turn.is_finite()).then_some(turn)
}
