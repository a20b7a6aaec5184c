//! Skin that moves along with a joint across a gap.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::check::wording::{length, share_of_s, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;
use crate::sweep::telling;
use crate::sweep::{ANGLE, Leak, Pose};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/leak",
    summary: "a patch of skin away from a joint moves a little when the joint turns",
    why: "two limbs that lay close when the skin was bound pull at each other as soon as one of them moves",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("leak.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "gap",
            case: "gap",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "S",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "leak",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "S",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 0.1 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let sweep = ctx.facts.sweep();
    sink.left_out(sweep.left_out());
    let mut told: BTreeSet<JointId> = BTreeSet::new();
    for (case, list) in [("gap", &sweep.gaps), ("", &sweep.leaks)] {
        let mut by_joint: BTreeMap<JointId, Vec<&Leak>> = BTreeMap::new();
        for leak in list.iter().filter(|leak| !told.contains(&leak.culprit)) {
            by_joint.entry(leak.culprit).or_default().push(leak);
        }
        for (joint, leaks) in by_joint {
            if tell(ctx, sink, case, joint, &leaks) {
                told.insert(joint);
            }
        }
    }
}

/// Reports the leaks of one joint, if they break a limit of `case`.
fn tell(ctx: &Context<'_>, sink: &mut Sink<'_>, case: &str, joint: JointId, leaks: &[&Leak]) -> bool {
    let (surface, s) = (ctx.facts.surface(), ctx.facts.s());
    let most = leaks.iter().copied().reduce(|a, b| if b.moved > a.moved { b } else { a });
    let Some(worst) = most else { return false };
    let Some(hit) = sink.judge(case, worst.moved / s) else { return false };
    let pose = Pose { axis: worst.axis, degrees: ANGLE };
    let text = message(
        ctx.name(joint),
        &telling::at(ctx.labels, surface, worst.peak),
        &length(worst.moved, s),
        &share_of_s(hit.bound()),
        worst.share,
        &telling::when(ctx.labels, worst.posed, &pose),
    );
    let points: Vec<u32> = leaks.iter().flat_map(|leak| leak.points.iter().copied()).collect();
    let mut fact = Fact::new(Subject::Joint(joint), text)
        .length("farthest movement", worst.moved, hit.limit, s)
        .evidence("following there", f64::from(worst.share), None, Unit::One)
        .evidence("points", points.len() as f64, None, Unit::Count)
        .fix(cut(ctx, joint, &points));
    if let Some(owner) = worst.owner.filter(|owner| *owner != joint) {
        fact = fact.related(Subject::Joint(owner), "owner");
    }
    sink.report(hit, telling::posed(fact, surface, worst.posed, &pose, worst.peak));
    true
}

/// Takes the joint's weight off these points.
fn cut(ctx: &Context<'_>, joint: JointId, points: &[u32]) -> Option<Fix> {
    let node = ctx.rig.joints[joint.index()].node?;
    let cuts = telling::listed(ctx.facts.surface(), points, &json!({"node": node.0}));
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "cut-influences".into(),
        arguments: json!({"cuts": cuts}),
        summary: "take the joint's weight off these vertices and renormalise".into(),
    })
}

fn message(joint: &str, at: &str, moved: &str, limit: &str, share: f32, when: &str) -> String {
    format!(
        "{joint} takes {at} along by {moved} across a gap, with {} % of its movement, {when}, limit {limit}",
        short(f64::from(share) * 100.0)
    )
}
