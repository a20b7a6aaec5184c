//! A rig against the skeleton it must conform to.

use std::collections::BTreeMap;

use glam::{DMat3, DQuat, DVec3};
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{count, deg, length, list, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Labels, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::{Counterparts, Facts};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit, quaternion_json, vector_json};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/reference",
    summary: "the skeleton departs from the reference skeleton",
    why: "motion, tools and engines address the reference's joints: what is not where it says is not moved, or moved wrongly",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("reference.md"),
    on: On::BOTH,
    bands: &[
        fact("missing", Some(Severity::Error)),
        fact("added", Some(Severity::Warning)),
        fact("renamed", Some(Severity::Error)),
        fact("reparented", Some(Severity::Error)),
        fact("order", None),
        Band {
            name: "moved",
            case: "moved",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 0.01,
            unit: "S",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "turned",
            case: "turned",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 2.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Joints, Need::Reference],
    reads: Reads::JOINTS.union(Reads::NAMES).union(Reads::BIND),
    settings: &[crate::check::Setting {
        name: "same-place",
        about: "how far from the reference's place a joint of another name still is that joint, fraction of S",
        default: 0.005,
    }],
    plantable: Plantable::Range { most: 0.2 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

const fn fact(name: &'static str, severity: Option<Severity>) -> Band {
    Band { name, case: name, on: On::BOTH, bound: Bound::Fact, limit: 0.0, unit: "", severity }
}

/// More renamed joints than this are one finding: a prefix, or another style.
const MOST_RENAMED: usize = 4;

struct Pairing<'c, 'a> {
    ctx: &'c Context<'a>,
    reference: &'a Facts<'a>,
    names: Labels,
    pairs: Counterparts,
}

impl Pairing<'_, '_> {
    fn wanted(&self, joint: JointId) -> Option<JointId> {
        self.pairs.of_rig[joint.index()]
    }

    fn own(&self, wanted: JointId) -> Option<JointId> {
        self.pairs.of_reference[wanted.index()]
    }

    /// Joints of the rig in the order of the tree.
    fn joints(&self) -> impl Iterator<Item = JointId> + '_ {
        self.ctx.facts.tree().order.iter().copied()
    }
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(reference) = ctx.given.reference else { return };
    let pairs = Counterparts::new(ctx.facts, reference, ctx.setting("same-place") * reference.s());
    let names = Labels::new(reference.rig());
    let it = Pairing { ctx, reference, names, pairs };
    let asked = reference.rig().joints.len();
    let found = it.pairs.of_reference.iter().flatten().count();
    if found * 2 < asked {
        if let Some(hit) = sink.breach("missing") {
            let fact = Fact::new(Subject::Rig, another(found, asked)).evidence(
                "joints of the reference that are there",
                found as f64,
                Some(asked as f64),
                Unit::Count,
            );
            sink.report(hit, fact);
        }
        return;
    }
    missing(&it, sink);
    added(&it, sink);
    renamed(&it, sink);
    reparented(&it, sink);
    order(&it, sink);
    placed(&it, sink);
}

/// One finding for each joint below which something is missing.
fn missing(it: &Pairing<'_, '_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("missing") else { return };
    let mut below: BTreeMap<Option<JointId>, Vec<JointId>> = BTreeMap::new();
    let mut anchor: Vec<Option<JointId>> = vec![None; it.reference.rig().joints.len()];
    for wanted in &it.reference.tree().order {
        let up = it.reference.tree().parent[wanted.index()];
        anchor[wanted.index()] = it.own(*wanted).or_else(|| up.and_then(|up| anchor[up.index()]));
        if it.own(*wanted).is_none() {
            below.entry(anchor[wanted.index()]).or_default().push(*wanted);
        }
    }
    for (anchor, gone) in below {
        let subject = anchor.map_or(Subject::Rig, Subject::Joint);
        let names: Vec<&str> = gone.iter().map(|joint| it.names.joint(*joint)).collect();
        let where_to = anchor.map(|joint| it.ctx.name(joint));
        let fact = Fact::new(subject, lacking(&names, where_to))
            .evidence("joints missing", gone.len() as f64, Some(0.0), Unit::Count)
            .fix(add_joints(it, &gone));
        sink.report(hit, fact);
    }
}

/// One finding for each topmost joint that the reference does not have.
fn added(it: &Pairing<'_, '_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("added") else { return };
    let tree = it.ctx.facts.tree();
    let mut top: Vec<Option<JointId>> = vec![None; it.pairs.of_rig.len()];
    let mut members: BTreeMap<JointId, Vec<JointId>> = BTreeMap::new();
    for joint in it.joints().filter(|joint| it.wanted(*joint).is_none()) {
        let above = tree.parent[joint.index()].and_then(|up| top[up.index()]);
        top[joint.index()] = Some(above.unwrap_or(joint));
        members.entry(above.unwrap_or(joint)).or_default().push(joint);
    }
    for (first, all) in members {
        let text = extra(it.ctx.name(first), all.len() - 1);
        let mut fact = Fact::new(Subject::Joint(first), text).evidence(
            "joints added",
            all.len() as f64,
            Some(0.0),
            Unit::Count,
        );
        for joint in all.into_iter().filter(|joint| *joint != first).take(20) {
            fact = fact.related(Subject::Joint(joint), "member");
        }
        sink.report(hit, fact);
    }
}

fn renamed(it: &Pairing<'_, '_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("renamed") else { return };
    let list = &it.pairs.renamed;
    let name = |wanted: JointId| it.reference.rig().joints[wanted.index()].name.clone();
    let fix = |pairs: &[(JointId, JointId)]| {
        let renames: Vec<(JointId, String)> =
            pairs.iter().filter_map(|(joint, wanted)| Some((*joint, name(*wanted)?))).collect();
        let what = if pairs.len() == 1 { "it" } else { "them" };
        let summary = format!("give {what} the reference's name");
        (!renames.is_empty()).then(|| remedy::rename(it.ctx.rig, &renames, Applicability::Safe, summary))
    };
    if list.len() > MOST_RENAMED {
        let (first, wanted) = list[0];
        let text = all_renamed(list.len(), it.ctx.name(first), it.names.joint(wanted));
        let mut fact = Fact::new(Subject::Rig, text)
            .evidence("joints renamed", list.len() as f64, Some(0.0), Unit::Count)
            .fix(fix(list));
        for (joint, _) in list.iter().take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact);
        return;
    }
    for pair in list {
        let text = other_name(it.ctx.name(pair.0), it.names.joint(pair.1));
        sink.report(hit, Fact::new(Subject::Joint(pair.0), text).fix(fix(&[*pair])));
    }
}

fn reparented(it: &Pairing<'_, '_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("reparented") else { return };
    let tree = it.ctx.facts.tree();
    // A joint between two of the reference's is told as added, one that is gone as missing: what counts is the
    // nearest ancestor that both have.
    let known = |mut at: Option<JointId>| {
        while let Some(joint) = at.filter(|joint| it.wanted(*joint).is_none()) {
            at = tree.parent[joint.index()];
        }
        at
    };
    let asked = |mut at: Option<JointId>| {
        while let Some(joint) = at.filter(|joint| it.own(*joint).is_none()) {
            at = it.reference.tree().parent[joint.index()];
        }
        at.and_then(|joint| it.own(joint))
    };
    for joint in it.joints() {
        let Some(wanted) = it.wanted(joint) else { continue };
        let (up, above) = (tree.parent[joint.index()], it.reference.tree().parent[wanted.index()]);
        let (is, should) = (known(up), asked(above));
        if is == should {
            continue;
        }
        let name = |joint: Option<JointId>| joint.map_or("nothing", |joint| it.ctx.name(joint));
        let mut fact = Fact::new(Subject::Joint(joint), hung(it.ctx.name(joint), name(is), name(should)))
            .fix(reparent(it, joint, should));
        for (other, relation) in [(is, "parent"), (should, "the reference's parent")] {
            if let Some(other) = other {
                fact = fact.related(Subject::Joint(other), relation);
            }
        }
        sink.report(hit, fact);
    }
}

/// The joints out of order: those beside the longest list that keeps the reference's order.
fn order(it: &Pairing<'_, '_>, sink: &mut Sink<'_>) {
    let Some(hit) = sink.breach("order") else { return };
    let listed = |facts: &Facts<'_>| -> Vec<JointId> {
        match facts.rig().skins.first() {
            Some(skin) => skin.joints.clone(),
            None => (0..facts.rig().joints.len()).map(JointId::new).collect(),
        }
    };
    let mut place = vec![None; it.reference.rig().joints.len()];
    for (at, wanted) in listed(it.reference).into_iter().enumerate() {
        place[wanted.index()].get_or_insert(at);
    }
    let own = listed(it.ctx.facts);
    let places: Vec<(JointId, usize)> =
        own.into_iter().filter_map(|joint| Some((joint, place[it.wanted(joint)?.index()]?))).collect();
    // The longest increasing list, by patience: `ends` holds the places that lists of each length end with.
    let (mut ends, mut back): (Vec<usize>, Vec<Option<usize>>) = (Vec::new(), vec![None; places.len()]);
    for (at, (_, place)) in places.iter().enumerate() {
        let length = ends.partition_point(|end| places[*end].1 < *place);
        back[at] = length.checked_sub(1).map(|before| ends[before]);
        if length == ends.len() {
            ends.push(at);
        } else {
            ends[length] = at;
        }
    }
    let mut kept = vec![false; places.len()];
    let mut at = ends.last().copied();
    while let Some(index) = at {
        kept[index] = true;
        at = back[index];
    }
    let moved: Vec<JointId> =
        places.iter().zip(&kept).filter(|(_, kept)| !**kept).map(|((joint, _), _)| *joint).collect();
    if moved.is_empty() {
        return;
    }
    let names = list(moved.iter().map(|joint| it.ctx.name(*joint)).collect::<Vec<_>>().into_iter());
    let mut fact = Fact::new(Subject::Rig, shuffled(moved.len(), &names)).evidence(
        "joints out of order",
        moved.len() as f64,
        Some(0.0),
        Unit::Count,
    );
    for joint in moved.into_iter().take(20) {
        fact = fact.related(Subject::Joint(joint), "member");
    }
    sink.report(hit, fact);
}

/// How a joint departs from the reference: the turn and the shift that take the reference's frame to its own.
#[derive(Clone, Copy)]
struct Departure {
    turn: DQuat,
    from: DVec3,
    to: DVec3,
}

impl Departure {
    const NONE: Self = Self { turn: DQuat::IDENTITY, from: DVec3::ZERO, to: DVec3::ZERO };

    fn carry(&self, point: DVec3) -> DVec3 {
        self.to + self.turn * (point - self.from)
    }
}

/// Joints that stand elsewhere or are turned otherwise; those that only go along with the joint above are members.
fn placed(it: &Pairing<'_, '_>, sink: &mut Sink<'_>) {
    let (move_limit, turn_limit) = (sink.limit("moved"), sink.limit("turned"));
    let (facts, s) = (it.ctx.facts, it.reference.s());
    let turns = oriented(it.ctx.facts) && oriented(it.reference);
    let count = it.pairs.of_rig.len();
    let mut departures = vec![Departure::NONE; count];
    let mut whose: Vec<Option<JointId>> = vec![None; count];
    let mut members: BTreeMap<JointId, Vec<JointId>> = BTreeMap::new();
    let mut found: Vec<(JointId, f64, f64)> = Vec::new();
    for joint in it.joints() {
        let up = facts.tree().parent[joint.index()];
        let above = up.map_or(Departure::NONE, |up| departures[up.index()]);
        let Some(wanted) = it.wanted(joint) else {
            departures[joint.index()] = above;
            whose[joint.index()] = up.and_then(|up| whose[up.index()]);
            continue;
        };
        let (own, theirs) = (frame(facts, joint), frame(it.reference, wanted));
        let turn = if turns { (own.1 * theirs.1.inverse()).normalize() } else { DQuat::IDENTITY };
        let here = Departure { turn, from: theirs.0, to: own.0 };
        departures[joint.index()] = here;
        let (moved, turned) = (own.0.distance(theirs.0) / s, angle(turn));
        let off = |moved: f64, turned: f64| {
            move_limit.is_some_and(|limit| moved > limit) || turn_limit.is_some_and(|limit| turned > limit)
        };
        if !off(moved, turned) {
            continue;
        }
        let along = own.0.distance(above.carry(theirs.0)) / s;
        let with = angle(turn * above.turn.inverse());
        let leader = up.and_then(|up| whose[up.index()]).filter(|_| !off(along, with));
        whose[joint.index()] = Some(leader.unwrap_or(joint));
        match leader {
            Some(leader) => members.entry(leader).or_default().push(joint),
            None => found.push((joint, moved, turned)),
        }
    }
    for (joint, moved, turned) in found {
        let below = members.get(&joint).map_or(&[][..], Vec::as_slice);
        let name = it.ctx.name(joint);
        let with = |mut fact: Fact| {
            for member in below.iter().take(20) {
                fact = fact.related(Subject::Joint(*member), "member");
            }
            fact
        };
        if let Some(hit) = sink.judge("moved", moved) {
            let text = elsewhere(name, moved * s, s, hit.bound(), below.len());
            let fact = Fact::new(Subject::Joint(joint), text)
                .length("distance from the reference's place", moved * s, hit.limit, s)
                .fix(put_back(it, joint));
            sink.report(hit, with(fact));
        }
        if turns && let Some(hit) = sink.judge("turned", turned) {
            let fact = Fact::new(Subject::Joint(joint), otherwise(name, turned, hit.bound(), below.len()))
                .evidence("turn from the reference's axes", turned, hit.limit, Unit::Degree)
                .fix(turn_back(it, joint));
            sink.report(hit, with(fact));
        }
    }
}

fn oriented(facts: &Facts<'_>) -> bool {
    facts.rig().source == Source::Gltf || facts.rig().joints.iter().all(|joint| joint.rotation.is_some())
}

fn frame(facts: &Facts<'_>, joint: JointId) -> (DVec3, DQuat) {
    let bind = &facts.bind().joints[joint.index()];
    (bind.origin, DQuat::from_mat3(&right_handed(bind.basis)).normalize())
}

/// A mirrored basis has no rotation: its third axis is turned round, here as in the reference.
fn right_handed(basis: DMat3) -> DMat3 {
    let z = if basis.determinant() < 0.0 { -basis.z_axis } else { basis.z_axis };
    DMat3::from_cols(basis.x_axis, basis.y_axis, z)
}

fn angle(turn: DQuat) -> f64 {
    2.0 * turn.xyz().length().atan2(turn.w.abs()).to_degrees()
}

fn put_back(it: &Pairing<'_, '_>, joint: JointId) -> Option<Fix> {
    let wanted = it.wanted(joint)?;
    let place = it.reference.origin(wanted);
    let (applicability, summary) = (Applicability::Review, "put it where the reference has it".to_owned());
    if it.ctx.rig.source == Source::Gltf {
        let node = it.ctx.rig.joints[joint.index()].node?;
        let arguments = json!({"nodes": [{"node": node.0, "to": vector_json(place)}]});
        return Some(Fix::Repair { applicability, name: "move-origin".into(), arguments, summary });
    }
    let mut patch = vec![remedy::set_origin(it.ctx.rig, joint, place)];
    let tips = (it.ctx.rig.joints[joint.index()].tip, it.reference.rig().joints[wanted.index()].tip);
    if let (Some(_), Some(tip)) = tips {
        patch.push(remedy::set_tip(it.ctx.rig, joint, tip));
    }
    Some(Fix::Patch { applicability, summary, patch })
}

fn turn_back(it: &Pairing<'_, '_>, joint: JointId) -> Option<Fix> {
    let turn = frame(it.reference, it.wanted(joint)?).1;
    let (applicability, summary) = (Applicability::Review, "turn it as the reference has it".to_owned());
    if it.ctx.rig.source == Source::Gltf {
        let node = it.ctx.rig.joints[joint.index()].node?;
        let arguments = json!({"nodes": [{"node": node.0, "bind_orientation": quaternion_json(turn)}]});
        return Some(Fix::Repair { applicability, name: "orient".into(), arguments, summary });
    }
    let patch = vec![remedy::set_orientation(it.ctx.rig, joint, turn)];
    Some(Fix::Patch { applicability, summary, patch })
}

fn reparent(it: &Pairing<'_, '_>, joint: JointId, should: Option<JointId>) -> Option<Fix> {
    let (applicability, summary) = (Applicability::Review, "hang it as the reference has it".to_owned());
    let rig = it.ctx.rig;
    if rig.source == Source::Gltf {
        let node = rig.joints[joint.index()].node?;
        let parent = match should {
            Some(up) => Some(rig.joints[up.index()].node?.0),
            None => None,
        };
        let arguments = json!({"nodes": [{"node": node.0, "parent": parent}]});
        return Some(Fix::Repair { applicability, name: "reparent".into(), arguments, summary });
    }
    let parent = match should {
        Some(up) => json!(rig.joints[up.index()].name.clone()?),
        None => serde_json::Value::Null,
    };
    let patch = vec![PatchOp::set(format!("/joints/{}/parent", joint.0), parent)];
    Some(Fix::Patch { applicability, summary, patch })
}

/// Adds the reference's joints to a plan, parents before children.
fn add_joints(it: &Pairing<'_, '_>, gone: &[JointId]) -> Option<Fix> {
    if it.ctx.rig.source == Source::Gltf {
        return None;
    }
    let theirs = it.reference.rig();
    let frame = it.ctx.rig.frame;
    let turns = oriented(it.reference);
    let mut patch = Vec::new();
    for wanted in gone {
        let joint = &theirs.joints[wanted.index()];
        let parent = it.reference.tree().parent[wanted.index()]
            .map(|up| it.own(up).map_or_else(|| it.names.joint(up), |own| it.ctx.name(own)).to_owned());
        let origin = it.reference.origin(*wanted);
        let mut value = json!({"name": joint.name.clone()?, "parent": parent,
            "origin": vector_json(frame.point_to_plan(origin))});
        if let Some(tip) = joint.tip {
            value["tip"] = vector_json(frame.point_to_plan(tip));
        }
        if turns {
            value["orientation"] = quaternion_json(frame.turn_to_plan(self::frame(it.reference, *wanted).1));
        }
        patch.push(PatchOp::set("/joints/-", value));
    }
    let summary = format!("add {} of the reference", count(gone.len() as u64, "joint", "joints"));
    Some(Fix::Patch { applicability: Applicability::Review, summary, patch })
}

fn another(found: usize, asked: usize) -> String {
    format!("only {found} of the reference's {asked} joints are there: this is another skeleton")
}

fn lacking(names: &[&str], below: Option<&str>) -> String {
    let all = list(names.iter().copied());
    let what = count(names.len() as u64, "joint", "joints");
    match below {
        Some(below) => format!("{what} of the reference {} missing below {below} ({all})", are(names.len())),
        None => format!("{what} of the reference {} missing ({all})", are(names.len())),
    }
}

fn are(count: usize) -> &'static str {
    if count == 1 { "is" } else { "are" }
}

fn extra(name: &str, below: usize) -> String {
    let more = if below > 0 {
        format!(", nor {} below it", count(below as u64, "joint", "joints"))
    } else {
        String::new()
    };
    format!("the reference has no joint {name}{more}")
}

fn other_name(name: &str, wanted: &str) -> String {
    format!("{name} stands where the reference has {wanted}")
}

fn all_renamed(renamed: usize, first: &str, wanted: &str) -> String {
    format!("{renamed} joints stand where the reference has joints of other names ({first} for {wanted})")
}

fn hung(name: &str, is: &str, should: &str) -> String {
    format!("{name} hangs from {is}, in the reference from {should}")
}

fn shuffled(moved: usize, names: &str) -> String {
    format!("{} not in the reference's order ({names})", count(moved as u64, "joint is", "joints are"))
}

fn along(below: usize) -> String {
    if below > 0 {
        format!(", {} along with it", count(below as u64, "joint", "joints"))
    } else {
        String::new()
    }
}

fn elsewhere(name: &str, metres: f64, s: f64, limit: f64, below: usize) -> String {
    format!(
        "{name} stands {} from where the reference has it{} (limit {})",
        length(metres, s),
        along(below),
        share_of_s(limit)
    )
}

fn otherwise(name: &str, turned: f64, limit: f64, below: usize) -> String {
    format!(
        "{name} is turned {} from the reference's axes{} (limit {})",
        deg(turned),
        along(below),
        deg(limit)
    )
}
