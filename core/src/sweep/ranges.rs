//! How far each joint turns: what the plan says; in profiles for people what is published; else what its kind of part
//! gives; else as far as everything is judged at.

use glam::DVec3;

use super::poses::{ANGLE, Axis, Turn};
use crate::anatomy::limbs::arms_and_legs;
use crate::anatomy::motion::HUMAN;
use crate::facts::Facts;
use crate::model::{JointId, PartKind, Range};

/// A limb bent by less at bind does not say which way it folds, degrees.
const LEAST_BEND: f64 = 5.0;
/// A chain that curls goes round by half a circle.
const CURL: f64 = 180.0;

/// Where a range comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RangeSource {
    /// The plan states it.
    Plan,
    /// Published ranges of people.
    People,
    /// The kind of part, or a hinge of a limb (D18): common practice.
    Kind,
    /// Nothing is known of the joint.
    Unknown,
}

impl RangeSource {
    /// For messages.
    pub fn words(self) -> &'static str {
        match self {
            Self::Plan => "the plan's",
            Self::People => "published for people",
            Self::Kind => "common for its kind of part",
            Self::Unknown => "not known",
        }
    }
}

/// How far a joint turns about one axis, degrees from bind.
#[derive(Debug, Clone, Copy)]
pub struct Span {
    /// The axis.
    pub axis: Axis,
    /// Least and most.
    pub degrees: [f64; 2],
}

/// A joint's range.
#[derive(Debug, Clone, Copy)]
pub struct JointRange {
    /// Twist, bend, sway.
    pub spans: [Span; 3],
    /// Where it comes from.
    pub source: RangeSource,
}

/// What a plan says of a joint of its body.
#[derive(Debug, Clone, Default)]
pub struct Declared {
    range: Range,
    /// The joint's bend axis, world; where the plan declares one.
    bend: Option<DVec3>,
    /// Its part: kind, its place in it, and how many joints that has.
    part: Option<(PartKind, usize, usize)>,
}

/// What a plan says of the joints of its body, which have the same names.
pub(crate) fn declared(plan: &Facts<'_>, body: &Facts<'_>) -> Vec<Option<Declared>> {
    let rig = plan.rig();
    let mut by_name: std::collections::BTreeMap<&str, Option<usize>> = std::collections::BTreeMap::new();
    for (index, joint) in rig.joints.iter().enumerate() {
        if let Some(name) = joint.name.as_deref() {
            // A name that two joints have says nothing.
            by_name.entry(name).and_modify(|known| *known = None).or_insert(Some(index));
        }
    }
    let of = |name: Option<&str>| {
        let index = (*by_name.get(name?)?)?;
        let joint = &rig.joints[index];
        let part = joint.part.and_then(|part| {
            let part = &rig.parts[part.index()];
            let at = part.joints.iter().position(|one| *one == Ok(JointId::new(index)))?;
            Some((part.kind?, at, part.joints.len()))
        });
        let bend = rig
            .declared_bend_axis
            .filter(|_| joint.rotation.is_some())
            .and_then(|axis| joint.rest.transform_vector3(axis).try_normalize());
        Some(Declared { range: joint.range, bend, part })
    };
    body.rig().joints.iter().map(|joint| of(joint.name.as_deref())).collect()
}

/// The ranges of all joints. `told`: what the plan says, one per joint, or nothing. `people`: published ranges count.
pub(super) fn ranges(facts: &Facts<'_>, told: &[Option<Declared>], people: bool) -> Vec<JointRange> {
    let count = facts.rig().joints.len();
    let mut out: Vec<JointRange> =
        (0..count).map(|joint| unknown(super::poses::axes(facts, JointId::new(joint)))).collect();
    for hinge in facts.hinges() {
        let axis = hinge.normal().filter(|_| hinge.bend() >= LEAST_BEND);
        fold(&mut out[hinge.mid.index()], axis, [-hinge.bend(), 135.0 - hinge.bend()], RangeSource::Kind);
    }
    for (index, said) in told.iter().enumerate().take(count) {
        if let Some((kind, at, of)) = said.as_ref().and_then(|said| said.part) {
            by_kind(&mut out[index], kind, at, of);
        }
    }
    if people {
        by_people(facts, &mut out);
    }
    for (index, said) in told.iter().enumerate().take(count) {
        if let Some(said) = said {
            by_plan(&mut out[index], said);
        }
    }
    out
}

fn unknown([twist, bend, sway]: [Axis; 3]) -> JointRange {
    let all = |axis| Span { axis, degrees: [-ANGLE, ANGLE] };
    JointRange { spans: [all(twist), all(bend), all(sway)], source: RangeSource::Unknown }
}

/// Another bend axis, as far as it lies across the joint.
fn bend_about(range: &mut JointRange, axis: DVec3) {
    let along = range.spans[0].axis.direction;
    if let Some(bend) = (axis - along * axis.dot(along)).try_normalize() {
        range.spans[1].axis = Axis { direction: bend, turn: Turn::Swing };
        range.spans[2].axis = Axis { direction: along.cross(bend), turn: Turn::Swing };
    }
}

fn set(range: &mut JointRange, spans: [[f64; 2]; 3], source: RangeSource) {
    for (span, degrees) in range.spans.iter_mut().zip(spans) {
        span.degrees = degrees;
    }
    range.source = source;
}

/// A hinge: one axis. Which way it folds is not known where it is straight at bind.
fn fold(range: &mut JointRange, axis: Option<DVec3>, degrees: [f64; 2], source: RangeSource) {
    let degrees = match axis {
        Some(axis) => {
            bend_about(range, axis);
            degrees
        }
        None => [-degrees[1], degrees[1]],
    };
    set(range, [[0.0; 2], degrees, [0.0; 2]], source);
}

fn both(twist: f64, bend: f64, sway: f64) -> [[f64; 2]; 3] {
    [[-twist, twist], [-bend, bend], [-sway, sway]]
}

/// Common practice, save for the half circle.
fn by_kind(range: &mut JointRange, kind: PartKind, at: usize, of: usize) {
    let share = 1.0 / of.max(1) as f64;
    let spans = match kind {
        PartKind::Tail | PartKind::Feeler => both(45.0 * share, CURL * share, CURL * share),
        PartKind::Spine | PartKind::Neck => both(90.0 * share, 90.0 * share, 60.0 * share),
        // The hinge of a limb was found by its shape.
        PartKind::Arm | PartKind::Leg | PartKind::Wing if range.source == RangeSource::Kind => return,
        PartKind::Arm | PartKind::Leg | PartKind::Wing if at == 0 => both(45.0, 60.0, 60.0),
        PartKind::Arm | PartKind::Leg | PartKind::Wing => both(0.0, 45.0, 30.0),
        PartKind::Digit if at == 0 => [[0.0; 2], [-90.0, 90.0], [-20.0, 20.0]],
        PartKind::Digit => [[0.0; 2], [-90.0, 90.0], [0.0; 2]],
        PartKind::Jaw => [[0.0; 2], [-30.0, 30.0], [0.0; 2]],
        PartKind::Eye => both(0.0, 30.0, 30.0),
        PartKind::Ear | PartKind::Fin => both(30.0, 45.0, 45.0),
        PartKind::Head => both(60.0, 45.0, 30.0),
        PartKind::Brace => both(20.0, 20.0, 20.0),
        PartKind::Other => return,
    };
    set(range, spans, RangeSource::Kind);
}

/// A published range: how far each way.
fn published(joint: &str, movement: &str) -> [f64; 2] {
    let row = HUMAN.iter().find(|row| row.joint == joint && row.movement[0] == movement);
    row.map_or([ANGLE; 2], |row| row.most)
}

/// Half of an arc each way: where in it the bind pose stands is not known.
fn halves(joint: &str, movement: &str, share: f64) -> [f64; 2] {
    let [one, other] = published(joint, movement);
    let half = f64::midpoint(one, other) * share;
    [-half, half]
}

/// Where two or three movements of a joint are published: about the long axis, and across it.
fn ball(range: &mut JointRange, joint: &str, names: [Option<&str>; 3], share: f64) {
    let spans = names.map(|name| name.map_or([0.0; 2], |name| halves(joint, name, share)));
    set(range, spans, RangeSource::People);
}

/// A hinge with a published range, counted from straight.
fn human_hinge(range: &mut JointRange, joint: &str, axis: Option<DVec3>, bend: f64) {
    let [most, least] = published(joint, "flexion");
    fold(range, axis, [-least - bend, most - bend], RangeSource::People);
}

fn by_people(facts: &Facts<'_>, out: &mut [JointRange]) {
    for (hinge, arm) in arms_and_legs(facts) {
        let axis = hinge.normal().filter(|_| hinge.bend() >= LEAST_BEND);
        let names = if arm { ["elbow", "shoulder", "wrist"] } else { ["knee", "hip", "ankle"] };
        human_hinge(&mut out[hinge.mid.index()], names[0], axis, hinge.bend());
        by_name(&mut out[hinge.upper.index()], names[1]);
        if let Some(end) = hinge.end {
            by_name(&mut out[end.index()], names[2]);
        }
    }
    let Some(map) = facts.rig().humanoid.as_ref() else { return };
    let trunk = map.bones.iter().filter(|(name, node)| node.is_some() && is_trunk(name)).count();
    for (name, node) in &map.bones {
        let Some(joint) = node.and_then(|node| facts.rig().nodes.get(node.index())?.joint) else { continue };
        let range = &mut out[joint.index()];
        if is_trunk(name) {
            let share = 1.0 / trunk.max(1) as f64;
            ball(range, "trunk", [Some("rotation"), Some("flexion"), Some("lateral bend")], share);
        } else if let Some(movement) = bone(name) {
            by_name(range, movement);
        }
    }
}

fn is_trunk(bone: &str) -> bool {
    ["spine", "chest", "upperChest"].contains(&bone)
}

/// The joint of people at which a bone of the VRM 1.0 humanoid begins, where it is no hinge of a limb.
fn bone(name: &str) -> Option<&'static str> {
    let sideless = name.strip_prefix("left").or_else(|| name.strip_prefix("right")).unwrap_or(name);
    Some(match sideless {
        "neck" => "neck",
        "Shoulder" => "clavicle",
        "UpperArm" => "shoulder",
        "UpperLeg" => "hip",
        "Hand" => "wrist",
        "Foot" => "ankle",
        "Toes" => "toe, first joint",
        "ThumbMetacarpal" => "thumb, first joint",
        "ThumbProximal" => "thumb, second joint",
        "ThumbDistal" => "thumb, third joint",
        _ if sideless.ends_with("Proximal") => "finger, first joint",
        _ if sideless.ends_with("Intermediate") => "finger, second joint",
        _ if sideless.ends_with("Distal") => "finger, third joint",
        _ => return None,
    })
}

fn by_name(range: &mut JointRange, joint: &str) {
    match joint {
        "neck" => ball(range, joint, [Some("rotation"), Some("flexion"), Some("lateral bend")], 1.0),
        "shoulder" => {
            let names = [Some("medial rotation"), Some("abduction"), Some("horizontal adduction")];
            ball(range, joint, names, 1.0);
        }
        "hip" => ball(range, joint, [Some("medial rotation"), Some("flexion"), Some("abduction")], 1.0),
        "clavicle" => ball(range, joint, [None, Some("elevation"), Some("protraction")], 1.0),
        "wrist" => ball(range, joint, [None, Some("flexion"), Some("radial deviation")], 1.0),
        "ankle" => {
            ball(range, joint, [None, Some("dorsiflexion"), None], 1.0);
            range.spans[2].degrees = halves("foot", "inversion", 1.0);
        }
        "toe, first joint" => ball(range, joint, [None, Some("extension"), None], 1.0),
        "thumb, first joint" => ball(range, joint, [None, Some("flexion"), Some("abduction")], 1.0),
        "finger, first joint" => ball(range, joint, [None, Some("flexion"), Some("spread")], 1.0),
        _ => ball(range, joint, [None, Some("flexion"), None], 1.0),
    }
}

fn by_plan(range: &mut JointRange, said: &Declared) {
    let Range { bend, sway, twist } = said.range;
    if bend.is_none() && sway.is_none() && twist.is_none() {
        return;
    }
    if let Some(axis) = said.bend {
        bend_about(range, axis);
    }
    let finite = |span: Option<[f64; 2]>| {
        // What the plan leaves out does not turn.
        let [a, b] = span.unwrap_or([0.0; 2]);
        if a.is_finite() && b.is_finite() { [a.min(b).max(-180.0), a.max(b).min(180.0)] } else { [0.0; 2] }
    };
    set(range, [finite(twist), finite(bend), finite(sway)], RangeSource::Plan);
}
