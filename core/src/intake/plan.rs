//! The plan (`condyle.plan/1`): what a person may write, and the rig it makes.

use std::collections::BTreeMap;

use glam::{DMat3, DMat4, DQuat, DVec3};
use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::{Fault, FaultKind, Limits, Place};
use crate::model::{
    Contact, Frame, Group, Joint, JointId, Parent, Part, PartId, PartKind, Piece, Range, Rig, Role, Side,
    Source, nearest,
};

/// A skeleton plan. Right-handed, +Y up, facing +Z, metres, the character's left at +X, unless `units` or `frame` say
/// otherwise; angles in degrees. `extras` on any object is kept and ignored.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Plan {
    /// `condyle.plan/1`.
    #[cfg_attr(feature = "schema", schema(pattern = "^condyle\\.plan/1$"))]
    pub schema: String,
    /// The asset's name.
    pub asset: String,
    /// Lengths in this document.
    #[serde(default)]
    pub units: Option<PlanUnits>,
    /// Axes of this document.
    #[serde(default)]
    pub frame: Option<PlanFrame>,
    /// Which local axis of every joint is which.
    #[serde(default)]
    pub axes: Option<PlanAxes>,
    /// The joints.
    pub joints: Vec<PlanJoint>,
    /// Named anatomical groups.
    #[serde(default)]
    pub parts: Vec<PlanPart>,
    /// Feet that touch the ground.
    #[serde(default)]
    pub feet: Vec<PlanFoot>,
    /// Rigid objects that a joint carries.
    #[serde(default)]
    pub pieces: Vec<PlanPiece>,
    /// Named sets of controls.
    #[serde(default)]
    pub groups: Vec<PlanGroup>,
    /// Names of the joints that are roots on purpose.
    #[serde(default)]
    pub roots: Option<Vec<String>>,
    /// The mesh the plan is for.
    #[serde(default)]
    pub body: Option<PlanBody>,
    /// Answers to questions of the parent suggester.
    #[serde(default)]
    pub conventions: Option<BTreeMap<String, String>>,
    /// The profile the plan wants to be judged by.
    #[serde(default)]
    pub profile: Option<String>,
    /// Documented exceptions.
    #[serde(default)]
    pub waivers: Vec<PlanWaiver>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// Units of length.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanUnits {
    /// Metres per unit, 10^-6 to 10^6.
    #[cfg_attr(feature = "schema", schema(minimum = 0.000_001, maximum = 1_000_000))]
    pub metres: f64,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A signed axis: `+x`, `-x`, `+y`, `-y`, `+z`, `-z`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[expect(missing_docs, reason = "the axes speak for themselves")]
pub enum SignedAxis {
    #[serde(rename = "+x")]
    PlusX,
    #[serde(rename = "-x")]
    MinusX,
    #[serde(rename = "+y")]
    PlusY,
    #[serde(rename = "-y")]
    MinusY,
    #[serde(rename = "+z")]
    PlusZ,
    #[serde(rename = "-z")]
    MinusZ,
}

impl SignedAxis {
    fn vector(self) -> DVec3 {
        match self {
            Self::PlusX => DVec3::X,
            Self::MinusX => DVec3::NEG_X,
            Self::PlusY => DVec3::Y,
            Self::MinusY => DVec3::NEG_Y,
            Self::PlusZ => DVec3::Z,
            Self::MinusZ => DVec3::NEG_Z,
        }
    }
}

/// The document's frame (right-handed).
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanFrame {
    /// Up.
    pub up: SignedAxis,
    /// The way the character faces.
    pub forward: SignedAxis,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// Local axes of the joints.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanAxes {
    /// Along the segment.
    pub long: SignedAxis,
    /// About which a hinge folds.
    #[serde(default)]
    pub bend: Option<SignedAxis>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A joint.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanJoint {
    /// Its name.
    pub name: String,
    /// Its origin, plan units.
    #[cfg_attr(feature = "schema", schema(min_items = 3, max_items = 3))]
    pub origin: [f64; 3],
    /// Its tip, plan units.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(min_items = 3, max_items = 3))]
    pub tip: Option<[f64; 3]>,
    /// World-space quaternion, XYZW.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(min_items = 4, max_items = 4))]
    pub orientation: Option<[f64; 4]>,
    /// The parent's name; absent is undecided, `null` is a root on purpose.
    #[serde(default, deserialize_with = "present", skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<String>))]
    pub parent: Option<Option<String>>,
    /// What it is for; `deforming` unless said.
    #[serde(default)]
    pub role: Option<PlanRole>,
    /// Range of motion, degrees.
    #[serde(default)]
    pub range: Option<PlanRange>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// Tells an explicit `null` from an absent member.
fn present<'de, D: serde::Deserializer<'de>>(deserializer: D) -> Result<Option<Option<String>>, D::Error> {
    Option::<String>::deserialize(deserializer).map(Some)
}

/// What a joint is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum PlanRole {
    /// Moves skin.
    Deforming,
    /// Only carries pieces or other joints.
    Carrying,
    /// Moves other joints, for animators.
    Control,
}

/// Range of motion: lowest and highest angle, degrees.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanRange {
    /// About the bend axis.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(min_items = 2, max_items = 2))]
    pub bend: Option<[f64; 2]>,
    /// About the axis across long and bend.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(min_items = 2, max_items = 2))]
    pub sway: Option<[f64; 2]>,
    /// About the long axis.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(min_items = 2, max_items = 2))]
    pub twist: Option<[f64; 2]>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A part.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanPart {
    /// Its name.
    pub name: String,
    /// spine, neck, head, jaw, eye, ear, arm, leg, wing, fin, digit, tail, feeler, brace or other.
    #[serde(default)]
    pub kind: Option<String>,
    /// Its side.
    #[serde(default)]
    pub side: Option<PlanSide>,
    /// Its joints in order, each the parent of the next.
    pub joints: Vec<String>,
    /// Where its first joint starts.
    #[serde(default)]
    pub starts: Option<PlanStart>,
    /// Different from its twin on purpose.
    #[serde(default)]
    pub asymmetric: bool,
    /// Of unnatural proportions on purpose.
    #[serde(default)]
    pub stylised: bool,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A side, the character's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum PlanSide {
    /// +X.
    Left,
    /// −X.
    Right,
    /// On the mirror plane.
    Centre,
}

/// Where a part's first joint starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum PlanStart {
    /// Anywhere.
    Anywhere,
    /// At its parent's tip.
    AtParentTip,
}

/// A foot.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanFoot {
    /// The part it ends.
    pub part: String,
    /// Where it touches the ground, plan units.
    #[cfg_attr(feature = "schema", schema(min_items = 3, max_items = 3))]
    pub contact: [f64; 3],
    /// The two points it rocks between, plan units.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Option<Vec<Vec<f64>>>, min_items = 2, max_items = 2))]
    pub rocking: Option<[[f64; 3]; 2]>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A piece.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanPiece {
    /// Its name.
    pub name: String,
    /// The joint that carries it.
    pub carried_by: String,
    /// Its pivot, plan units.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(min_items = 3, max_items = 3))]
    pub pivot: Option<[f64; 3]>,
    /// Its size, plan units.
    #[serde(default)]
    pub size: Option<f64>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A set of controls.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanGroup {
    /// Its name.
    pub name: String,
    /// The joints.
    pub joints: Vec<String>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// The mesh a plan is for.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanBody {
    /// Names of uploaded files.
    pub files: Vec<String>,
    /// Globs over mesh names; all by default.
    #[serde(default)]
    pub meshes: Option<Vec<String>>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// A waiver.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct PlanWaiver {
    /// The check, or a glob over ids.
    pub check: String,
    /// A glob over subject names; all by default.
    #[serde(default)]
    pub subject: Option<String>,
    /// Why.
    #[cfg_attr(feature = "schema", schema(pattern = "\\S"))]
    pub reason: String,
    /// Who.
    #[serde(default)]
    pub by: Option<String>,
    /// The last day it holds, UTC, `YYYY-MM-DD`.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(format = Date))]
    pub until: Option<String>,
    /// Kept and ignored.
    #[serde(default)]
    #[cfg_attr(feature = "schema", schema(value_type = Value))]
    pub extras: Option<Value>,
}

/// Reads a plan document into a rig.
pub(crate) fn read(file: &str, document: &Value, limits: &Limits) -> Result<Rig, Fault> {
    let fault = |pointer: String, message: String| Fault {
        kind: FaultKind::Invalid,
        file: file.to_owned(),
        place: Place::Pointer(pointer),
        message,
        rule: Some("condyle.plan/1"),
    };
    let plan: Plan = serde_path_to_error::deserialize(document).map_err(|error| {
        let pointer = pointer(error.path(), &error.inner().to_string(), document);
        fault(pointer, hinted(&error.inner().to_string()))
    })?;
    if plan.schema != "condyle.plan/1" {
        return Err(fault("/schema".into(), "must be condyle.plan/1".into()));
    }
    let joints = plan.joints.len() as u64;
    if joints > limits.joints {
        return Err(Fault {
            kind: FaultKind::Limit { limit: "joints", max: limits.joints, got: joints },
            ..fault("/joints".into(), format!("{joints} joints are more than the limit of {}", limits.joints))
        });
    }
    let frame = frame(&plan).map_err(|(pointer, message)| fault(pointer.into(), message.into()))?;
    for (index, joint) in plan.joints.iter().enumerate() {
        if joint.name.len() as u64 > limits.name_bytes {
            let got = joint.name.len() as u64;
            return Err(Fault {
                kind: FaultKind::Limit { limit: "name_bytes", max: limits.name_bytes, got },
                ..fault(format!("/joints/{index}/name"), "the name is too long".into())
            });
        }
        for (what, point) in [("origin", Some(joint.origin)), ("tip", joint.tip)] {
            if point.is_some_and(|p| p.iter().any(|c| c.abs() > 1e12)) {
                let pointer = format!("/joints/{index}/{what}");
                return Err(fault(pointer, "lies farther out than 10^12 units".into()));
            }
        }
    }
    Ok(build(&plan, frame))
}

/// The JSON Pointer of a path; for an unknown member, of the member itself.
fn pointer(path: &serde_path_to_error::Path, message: &str, document: &Value) -> String {
    let mut pointer = String::new();
    for segment in path {
        let text = segment.to_string();
        let text = text.trim_start_matches('[').trim_end_matches(']');
        if text == "?" {
            break;
        }
        pointer.push('/');
        pointer.push_str(&text.replace('~', "~0").replace('/', "~1"));
    }
    if message.starts_with("unknown field")
        && let Some(name) = message.split('`').nth(1)
    {
        let step = format!("/{}", name.replace('~', "~0").replace('/', "~1"));
        if !pointer.ends_with(&step) || document.pointer(&format!("{pointer}{step}")).is_some() {
            pointer.push_str(&step);
        }
    }
    pointer
}

/// serde's sentence in ours, with the right spelling where one is near.
fn hinted(message: &str) -> String {
    let mut words = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field") || message.starts_with("unknown variant") {
        let what = if message.starts_with("unknown field") { "member" } else { "value" };
        let name: String = words.next().unwrap_or_default().chars().take(80).collect();
        let known: Vec<&str> = words.collect();
        return match nearest(&name, known.iter().copied()) {
            Some(near) => format!("there is no {what} {name} here (did you mean {near}?)"),
            None => format!("there is no {what} {name} here (known: {})", known.join(", ")),
        };
    }
    message.replace("missing field", "missing member").replace('`', "")
}

fn frame(plan: &Plan) -> Result<Frame, (&'static str, &'static str)> {
    let metres = plan.units.as_ref().map_or(1.0, |units| units.metres);
    if !(metres > 0.0 && (1e-6..=1e6).contains(&metres)) {
        return Err(("/units/metres", "must lie between 10^-6 and 10^6"));
    }
    let mut rotation = DQuat::IDENTITY;
    if let Some(frame) = &plan.frame {
        let (up, forward) = (frame.up.vector(), frame.forward.vector());
        if up.dot(forward).abs() > 0.5 {
            return Err(("/frame/forward", "forward and up lie on one axis"));
        }
        // Rows: what becomes +X (the left), +Y (up) and +Z (forward).
        let from_rig = DMat3::from_cols(up.cross(forward), up, forward);
        rotation = DQuat::from_mat3(&from_rig.transpose()).normalize();
    }
    if let Some(axes) = &plan.axes
        && axes.bend.is_some_and(|bend| bend.vector().dot(axes.long.vector()).abs() > 0.5)
    {
        return Err(("/axes/bend", "bend and long are one axis"));
    }
    Ok(Frame { rotation, metres })
}

fn build(plan: &Plan, frame: Frame) -> Rig {
    let place = |point: [f64; 3]| frame.rotation * (DVec3::from_array(point) * frame.metres);
    // The first joint of a name is the one that references mean.
    let mut by_name: BTreeMap<&str, JointId> = BTreeMap::new();
    for (index, joint) in plan.joints.iter().enumerate() {
        by_name.entry(&joint.name).or_insert(JointId::new(index));
    }
    let find = |name: &String| by_name.get(name.as_str()).copied().ok_or_else(|| name.clone());
    // Where two joints share a name, one that hangs from that name hangs from the other: no loop of its own.
    let parent = |index: usize, name: &String| match find(name) {
        Ok(first) if first.index() == index => {
            let other = plan.joints.iter().skip(index + 1).position(|other| other.name == *name);
            Ok(other.map_or(first, |at| JointId::new(index + 1 + at)))
        }
        found => found,
    };
    let mut joints: Vec<Joint> = plan
        .joints
        .iter()
        .enumerate()
        .map(|(index, joint)| {
            let turn = joint.orientation.map(|q| {
                let length = q.iter().map(|c| c * c).sum::<f64>().sqrt();
                let unit = if length > 1e-12 && length.is_finite() {
                    DQuat::from_array(q.map(|c| c / length))
                } else {
                    DQuat::IDENTITY
                };
                // The joint's own axes (long, bend) keep their names; only the world turns.
                frame.rotation * unit
            });
            let turn = turn.unwrap_or(DQuat::IDENTITY);
            let role = match joint.role {
                None | Some(PlanRole::Deforming) => Role::Deforming,
                Some(PlanRole::Carrying) => Role::Carrying,
                Some(PlanRole::Control) => Role::Control,
            };
            let range = joint.range.as_ref();
            Joint {
                name: Some(joint.name.clone()),
                parent: match &joint.parent {
                    None => Parent::Undecided,
                    Some(None) => Parent::Root,
                    Some(Some(name)) => parent(index, name).map_or_else(Parent::Unknown, Parent::Joint),
                },
                node: None,
                rest: DMat4::from_rotation_translation(turn, place(joint.origin)),
                rotation: joint.orientation,
                tip: joint.tip.map(place),
                role: Some(role),
                range: Range {
                    bend: range.and_then(|r| r.bend),
                    sway: range.and_then(|r| r.sway),
                    twist: range.and_then(|r| r.twist),
                },
                part: None,
            }
        })
        .collect();
    // Where two joints share a name, the second mention of it among the parts means the second joint.
    let mut same: BTreeMap<&str, Vec<JointId>> = BTreeMap::new();
    for (index, joint) in plan.joints.iter().enumerate() {
        same.entry(&joint.name).or_default().push(JointId::new(index));
    }
    let mut mentioned: BTreeMap<&str, usize> = BTreeMap::new();
    let mut member = |name: &String| -> Result<JointId, String> {
        let Some((name, joints)) = same.get_key_value(name.as_str()) else { return Err(name.clone()) };
        let times = mentioned.entry(name).or_default();
        *times += 1;
        joints.get(*times - 1).or(joints.first()).copied().ok_or_else(|| (*name).to_owned())
    };
    let parts: Vec<Part> = plan
        .parts
        .iter()
        .map(|part| Part {
            name: part.name.clone(),
            kind: part.kind.as_deref().and_then(kind),
            kind_text: part.kind.clone(),
            side: part.side.map(|side| match side {
                PlanSide::Left => Side::Left,
                PlanSide::Right => Side::Right,
                PlanSide::Centre => Side::Centre,
            }),
            joints: part.joints.iter().map(&mut member).collect(),
            starts_at_parent_tip: part.starts == Some(PlanStart::AtParentTip),
            asymmetric: part.asymmetric,
            stylised: part.stylised,
        })
        .collect();
    for (index, part) in parts.iter().enumerate() {
        for joint in part.joints.iter().flatten() {
            joints[joint.index()].part.get_or_insert(PartId::new(index));
        }
    }
    let part_named = |name: &String| {
        parts.iter().position(|part| part.name == *name).map(PartId::new).ok_or_else(|| name.clone())
    };
    Rig {
        source: Source::Plan,
        asset: Some(plan.asset.clone()),
        nodes: Vec::new(),
        joints,
        pieces: plan
            .pieces
            .iter()
            .map(|piece| Piece {
                name: piece.name.clone(),
                carried_by: find(&piece.carried_by),
                pivot: piece.pivot.map(place),
                size: piece.size.map(|size| size * frame.metres),
            })
            .collect(),
        feet: plan
            .feet
            .iter()
            .map(|foot| Contact {
                part: part_named(&foot.part),
                contact: place(foot.contact),
                rocking: foot.rocking.map(|points| points.map(place)),
            })
            .collect(),
        groups: plan
            .groups
            .iter()
            .map(|group| Group { name: group.name.clone(), joints: group.joints.iter().map(find).collect() })
            .collect(),
        parts,
        declared_roots: plan.roots.clone(),
        meshes: Vec::new(),
        skins: Vec::new(),
        clips: Vec::new(),
        declared_long_axis: plan.axes.as_ref().map(|axes| axes.long.vector()),
        declared_bend_axis: plan.axes.as_ref().and_then(|axes| axes.bend).map(SignedAxis::vector),
        frame,
        body: None,
        unread: Vec::new(),
        bytes: 0,
        whole: false,
        scene_roots: Vec::new(),
        humanoid: None,
    }
}

fn kind(word: &str) -> Option<PartKind> {
    Some(match word {
        "spine" => PartKind::Spine,
        "neck" => PartKind::Neck,
        "head" => PartKind::Head,
        "jaw" => PartKind::Jaw,
        "eye" => PartKind::Eye,
        "ear" => PartKind::Ear,
        "arm" => PartKind::Arm,
        "leg" => PartKind::Leg,
        "wing" => PartKind::Wing,
        "fin" => PartKind::Fin,
        "digit" => PartKind::Digit,
        "tail" => PartKind::Tail,
        "feeler" => PartKind::Feeler,
        "brace" => PartKind::Brace,
        "other" => PartKind::Other,
        _ => return None,
    })
}
