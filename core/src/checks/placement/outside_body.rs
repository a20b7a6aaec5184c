//! Segments that run outside the body.

use std::collections::{BTreeMap, BTreeSet};

use glam::DVec3;

use crate::body::Body;
use crate::check::remedy;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/outside-body",
    summary: "a deforming segment runs outside the body",
    why: "skin is moved about a line that is not in it: the limb swings instead of bending, and weights are found badly",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("outside_body.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "share",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 0.5,
        unit: "1",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Joints, Need::Mesh],
    reads: Reads::JOINTS.union(Reads::MESH).union(Reads::BIND),
    settings: &[Setting {
        name: "near",
        about: "a point this near to the skin is not outside, fraction of S",
        default: 0.01,
    }],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Points looked at along each segment.
const SAMPLES: u32 = 10;

struct Outside {
    joint: JointId,
    share: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(body) = ctx.facts.solid() else { return };
    let near = ctx.setting("near") * ctx.facts.s();
    let far = 4.0 * ctx.facts.s();
    let outside: Vec<Outside> = (0..ctx.rig.joints.len())
        .map(JointId::new)
        .filter_map(|joint| {
            let (from, to) = segment(ctx, joint)?;
            let out = (0..SAMPLES)
                .map(|step| from.lerp(to, (f64::from(step) + 0.5) / f64::from(SAMPLES)))
                .filter(|point| is_outside(&body, *point, near, far))
                .count();
            let share = out as f64 / f64::from(SAMPLES);
            sink.judge("", share).map(|_| Outside { joint, share })
        })
        .collect();
    // A segment below one that is outside goes along with it.
    let mut at: BTreeMap<JointId, &Outside> = outside.iter().map(|one| (one.joint, one)).collect();
    let tree = ctx.facts.tree();
    let mut place: BTreeMap<JointId, usize> = BTreeMap::new();
    let mut groups: Vec<Vec<&Outside>> = Vec::new();
    for joint in &tree.order {
        let Some(one) = at.remove(joint) else { continue };
        let above = tree.parent[joint.index()].and_then(|up| place.get(&up).copied());
        let number = above.unwrap_or_else(|| {
            groups.push(Vec::new());
            groups.len() - 1
        });
        place.insert(*joint, number);
        groups[number].push(one);
    }
    if groups.len() > 3 {
        report(ctx, sink, &body, Subject::Rig, &groups.concat());
        return;
    }
    for group in groups {
        let Some(top) = group.first() else { continue };
        report(ctx, sink, &body, Subject::Segment(top.joint), &group);
    }
}

fn report(ctx: &Context<'_>, sink: &mut Sink<'_>, body: &Body<'_>, subject: Subject, group: &[&Outside]) {
    let Some(worst) = group.iter().max_by(|a, b| a.share.total_cmp(&b.share).then(b.joint.cmp(&a.joint)))
    else {
        return;
    };
    let named = match subject {
        Subject::Segment(joint) => joint,
        _ => worst.joint,
    };
    let Some(hit) = sink.judge("", worst.share) else { return };
    let text = message(ctx.name(named), group.len() - 1, worst.share, hit.bound());
    let mut fact = Fact::new(subject, text).evidence("share outside", worst.share, hit.limit, Unit::One);
    for one in group.iter().filter(|one| one.joint != named).take(50) {
        fact = fact.related(Subject::Joint(one.joint), "member");
    }
    sink.report(hit, fact.fix(bring_in(ctx, body, group)));
}

/// The segment of a deforming joint, where both its ends are known to be meant.
fn segment(ctx: &Context<'_>, joint: JointId) -> Option<(DVec3, DVec3)> {
    let facts = ctx.facts;
    let tip = &facts.tips()[joint.index()];
    let meant = match (ctx.rig.source, tip.kind) {
        (Source::Plan, TipKind::Declared | TipKind::Child(_)) => true,
        // A root starts where the asset does.
        (Source::Gltf, TipKind::Child(child) | TipKind::NearChild(child)) => {
            facts.deforms(child) && facts.tree().parent[joint.index()].is_some()
        }
        _ => false,
    };
    let (from, to) = (facts.origin(joint), tip.point);
    (meant && facts.deforms(joint) && from.is_finite() && to.is_finite()).then_some((from, to))
}

/// Not wound about, far from the skin, and in sight of the open along some axis: where a second skin is turned inside
/// out over the first, the two winding numbers cancel, but nothing is seen of the open from within.
fn is_outside(body: &Body<'_>, point: DVec3, near: f64, far: f64) -> bool {
    let sees_the_open = || {
        DVec3::AXES
            .into_iter()
            .flat_map(|axis| [axis, -axis])
            .any(|way| body.first_hit(point, way, far).is_none())
    };
    !body.holds(point) && body.nearest(point, near).is_none() && sees_the_open()
}

/// Moves the ends that are outside to the nearest point that is inside.
fn bring_in(ctx: &Context<'_>, body: &Body<'_>, group: &[&Outside]) -> Option<Fix> {
    let facts = ctx.facts;
    let mut ends: BTreeSet<JointId> = BTreeSet::new();
    for one in group {
        ends.insert(one.joint);
        if let TipKind::Child(child) | TipKind::NearChild(child) = facts.tips()[one.joint.index()].kind {
            ends.insert(child);
        }
        // A plan's tips are met by the joints that start there.
        ends.extend(&facts.tree().children[one.joint.index()]);
    }
    let near = ctx.setting("near") * facts.s();
    let moves: Vec<(JointId, DVec3)> = ends
        .into_iter()
        .filter(|joint| is_outside(body, facts.origin(*joint), near, 4.0 * facts.s()))
        .filter_map(|joint| Some((joint, inside(body, facts.origin(joint), facts.s())?)))
        .collect();
    let summary = "move what is outside to the nearest point inside".to_owned();
    (!moves.is_empty()).then(|| remedy::move_origins(facts, &moves, summary))
}

/// The nearest point of the skin, and on inward until half way to the other side.
fn inside(body: &Body<'_>, point: DVec3, s: f64) -> Option<DVec3> {
    let skin = body.nearest(point, 4.0 * s)?.point;
    let inward = (skin - point).try_normalize()?;
    let start = skin + inward * (1e-4 * s);
    let depth = body.first_hit(start, inward, s)?;
    let middle = start + inward * (depth / 2.0);
    body.holds(middle).then_some(middle)
}

fn message(name: &str, more: usize, share: f64, limit: f64) -> String {
    let also = if more > 0 {
        format!(", and {} with it", count(more as u64, "more segment", "more segments"))
    } else {
        String::new()
    };
    format!(
        "{} % of {name} runs outside the body{also} (limit {} %)",
        short(share * 100.0),
        short(limit * 100.0)
    )
}
