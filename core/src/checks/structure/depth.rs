//! How deep the skeleton is.

use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "structure/depth",
    summary: "the skeleton is deeper than the target takes",
    why: "transforms of a chain are computed one after the other: a deep one is slow, gathers rounding, and some engines refuse it",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("depth.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "depth",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 24.0,
        unit: "joints",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Range { most: 200.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let tree = ctx.facts.tree();
    // Equals by name, so that the order of the document decides nothing.
    let deepest = (0..ctx.rig.joints.len()).map(JointId::new).max_by(|a, b| {
        let key = |joint: &JointId| tree.depth[joint.index()];
        key(a).cmp(&key(b)).then_with(|| ctx.name(*b).cmp(ctx.name(*a)))
    });
    let Some(deepest) = deepest else { return };
    let joints = f64::from(tree.depth[deepest.index()]) + 1.0;
    let Some(hit) = sink.judge("", joints) else { return };
    let root = tree.ancestors(deepest).last().unwrap_or(deepest);
    let text = message(ctx.name(root), ctx.name(deepest), joints, hit.bound());
    let fact = Fact::new(Subject::Joint(deepest), text).related(Subject::Joint(root), "root").evidence(
        "joints from the root down",
        joints,
        hit.limit,
        Unit::Count,
    );
    sink.report(hit, fact);
}

fn message(root: &str, deepest: &str, joints: f64, limit: f64) -> String {
    format!("{deepest} is the {joints}th joint from {root} down (limit {limit})")
}
