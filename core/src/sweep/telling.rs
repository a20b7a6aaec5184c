//! How findings of the sweep name places and poses.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::poses::{Pose, Turn};
use super::{Ends, Moment, Played};
use crate::body::{NOWHERE, Part, Surface};
use crate::check::Labels;
use crate::check::remedy;
use crate::finding::{Fact, Subject, Unit};
use crate::model::JointId;

/// A vertex as a reader can find it.
pub(crate) struct Place<'s> {
    /// The primitive.
    pub part: &'s Part,
    /// The vertex in it.
    pub vertex: u32,
}

impl Place<'_> {
    /// The primitive, as a subject.
    pub(crate) fn subject(&self) -> Subject {
        Subject::Vertices(self.part.mesh, self.part.primitive)
    }
}

/// Where the first vertex of a point is; a surface has one for every point.
pub(crate) fn place(surface: &Surface, point: u32) -> Option<Place<'_>> {
    vertex(surface, *surface.members(point).first()?)
}

/// Where a vertex is.
pub(crate) fn vertex(surface: &Surface, vertex: u32) -> Option<Place<'_>> {
    let part = surface.parts.get(surface.part_of(vertex))?;
    Some(Place { part, vertex: vertex - part.first_vertex })
}

/// `45° about its length`, `45° about (0, 0, 1)`: by the right hand, the axis in the world at bind; a turn the other way is one
/// about the opposite axis, and about the length a negative one (the length points to the tip).
pub(crate) fn turn(pose: &Pose) -> String {
    let degrees = pose.degrees;
    match pose.axis.turn {
        Turn::Twist => format!("{degrees}° about its length"),
        Turn::Swing => {
            let [x, y, z] = axis(pose).map(|number| tidy(number, 100.0));
            format!("{}° about ({x}, {y}, {z})", degrees.abs())
        }
    }
}

/// The axis about which the turn is positive.
fn axis(pose: &Pose) -> [f64; 3] {
    (pose.axis.direction * if pose.degrees < 0.0 { -1.0 } else { 1.0 }).to_array()
}

/// In such parts of one, no minus before zero.
fn tidy(number: f64, parts: f64) -> f64 {
    (number * parts).round() / parts + 0.0
}

/// The pose and the worst place, for the reader.
pub(crate) fn posed(fact: Fact, surface: &Surface, joint: JointId, pose: &Pose, point: u32) -> Fact {
    let fact = turned(fact, joint, pose);
    match place(surface, point) {
        Some(worst) => fact.related(worst.subject(), "worst place"),
        None => fact,
    }
}

/// The pose, for the reader.
pub(crate) fn turned(fact: Fact, joint: JointId, pose: &Pose) -> Fact {
    let [x, y, z] = axis(pose).map(|number| tidy(number, 1e4));
    // The axis is told in words: its numbers are no measurements.
    let words =
        format!("turn about the axis ({x}, {y}, {z}) through its origin, world at bind, by the right hand");
    fact.related(Subject::Joint(joint), "turned").evidence(&words, pose.degrees.abs(), None, Unit::Degree)
}

/// The moment of a clip and the worst place, for the reader.
pub(crate) fn played(fact: Fact, surface: &Surface, played: &Played, moment: &Moment) -> Fact {
    let fact = fact.evidence("time", moment.time, None, Unit::Second).evidence(
        "moments looked at",
        f64::from(played.moments),
        None,
        Unit::Count,
    );
    match place(surface, moment.point) {
        Some(worst) => fact.related(worst.subject(), "worst place"),
        None => fact,
    }
}

/// How much it is at the end of the joint's range, where that is known, for the reader.
pub(crate) fn at_end(fact: Fact, quantity: &str, ends: &Ends, worst: Option<(f64, Pose)>) -> Fact {
    let Some((amount, pose)) = worst else { return fact };
    let source = ends.range.source.words();
    let turn = turn(&Pose { degrees: pose.degrees.round(), ..pose });
    let words = format!("{quantity}, at the end of its range ({source}), {turn}");
    fact.evidence(&words, amount * 100.0, None, Unit::One)
}

/// `vertex 12 of body[0]`.
pub(crate) fn at(labels: &Labels, surface: &Surface, point: u32) -> String {
    let Some(worst) = place(surface, point) else { return "a vertex".into() };
    format!("vertex {} of {}", worst.vertex, labels.name(&worst.subject()))
}

/// `when elbow turns 45° about its length`.
pub(crate) fn when(labels: &Labels, joint: JointId, pose: &Pose) -> String {
    format!("when {} turns {}", labels.joint(joint), turn(pose))
}

/// `when it turns 45° about its length`, for a sentence about that joint.
pub(crate) fn when_it(pose: &Pose) -> String {
    format!("when it turns {}", turn(pose))
}

/// Vertices at some points, by mesh and primitive: skinned ones only.
pub(crate) fn by_primitive(surface: &Surface, points: &[u32]) -> BTreeMap<(u32, u32), Vec<u32>> {
    let mut list: BTreeMap<(u32, u32), Vec<u32>> = BTreeMap::new();
    let vertices = points.iter().filter(|point| **point != NOWHERE).flat_map(|point| surface.members(*point));
    for at in vertices.filter_map(|one| vertex(surface, *one)).filter(|place| place.part.skin.is_some()) {
        list.entry((at.part.mesh.0, at.part.primitive)).or_default().push(at.vertex);
    }
    for vertices in list.values_mut() {
        vertices.sort_unstable();
        vertices.dedup();
    }
    list
}

/// The arguments `{mesh, primitive, …, vertices}` of a repair, one set for each primitive.
pub(crate) fn listed(surface: &Surface, points: &[u32], more: &Value) -> Vec<Value> {
    let by = by_primitive(surface, points);
    by.into_iter()
        .map(|((mesh, primitive), vertices)| {
            let mut one = json!({"mesh": mesh, "primitive": primitive});
            if let (Some(one), Some(more)) = (one.as_object_mut(), more.as_object()) {
                one.extend(more.clone());
            }
            one["vertices"] = remedy::vertices(vertices);
            one
        })
        .collect()
}
