//! Two joints in one place.

use crate::check::wording::{length, list, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject};
use crate::model::{JointId, Parent, Reads, Source};
use crate::report::Severity;
use serde_json::json;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/coincident",
    summary: "two deforming joints share origin and tip",
    why: "skin is split between two joints that nobody can tell apart; mostly one of them is a leftover copy",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("coincident.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "apart",
        case: "",
        on: On::BOTH,
        bound: Bound::Below,
        limit: 2e-3,
        unit: "S",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS,
    settings: &[],
    plantable: Plantable::Range { most: 0.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Neighbours in the sorted order that each joint is compared with: many joints in one place are one group anyway.
const LOOK_BACK: usize = 32;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let groups = groups(ctx, limit);
    // Several such places are one fault of the rig: a skeleton that was imported twice.
    if groups.len() > 2 {
        let s = ctx.facts.s();
        let apart = groups.iter().map(|group| group.apart).fold(0.0, f64::max);
        let Some(hit) = sink.judge("", apart / s) else { return };
        let joints: usize = groups.iter().map(|group| group.joints.len()).sum();
        let text = everywhere(joints, groups.len(), apart, s, hit.bound());
        let mut fact = Fact::new(Subject::Rig, text).length("distance apart", apart, hit.limit, s);
        for joint in groups.iter().flat_map(|group| &group.joints).take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
        sink.report(hit, fact);
        return;
    }
    for group in groups {
        let [first, rest @ ..] = group.joints.as_slice() else { continue };
        let s = ctx.facts.s();
        let Some(hit) = sink.judge("", group.apart / s) else { continue };
        let names = rest.iter().map(|joint| ctx.name(*joint));
        let text = message(ctx.name(*first), &list(names), group.apart, s, hit.bound());
        let subject = match rest {
            [other] => Subject::Pair(*first, *other),
            _ => Subject::Joint(*first),
        };
        let mut fact = Fact::new(subject, text).length("distance apart", group.apart, hit.limit, s);
        for joint in rest {
            fact = fact.related(Subject::Joint(*joint), "coincident");
        }
        sink.report(hit, fact.fix(merge(ctx, *first, rest)));
    }
}

struct Group {
    /// In the order of their names.
    joints: Vec<JointId>,
    /// The largest distance of an origin or a tip from the first one's, metres.
    apart: f64,
}

fn groups(ctx: &Context<'_>, limit: f64) -> Vec<Group> {
    let facts = ctx.facts;
    let reach = limit * facts.s();
    let tips = facts.tips();
    let mut list: Vec<JointId> = (0..ctx.rig.joints.len())
        .map(JointId::new)
        .filter(|joint| {
            let tip = &tips[joint.index()];
            // A segment without length is another check's finding.
            facts.deforms(*joint)
                && tip.known()
                && tip.point.is_finite()
                && tip.point.distance(facts.origin(*joint)) > reach
        })
        .collect();
    let along = |joint: &JointId| facts.origin(*joint).x;
    list.sort_by(|a, b| along(a).total_cmp(&along(b)).then(ctx.name(*a).cmp(ctx.name(*b))));
    let mut leader: Vec<usize> = (0..list.len()).collect();
    let mut apart = vec![0.0_f64; list.len()];
    for at in 0..list.len() {
        for back in (at.saturating_sub(LOOK_BACK)..at).rev() {
            if along(&list[at]) - along(&list[back]) > reach {
                break;
            }
            let (a, b) = (list[at], list[back]);
            let far = facts
                .origin(a)
                .distance(facts.origin(b))
                .max(tips[a.index()].point.distance(tips[b.index()].point));
            if far < reach {
                leader[at] = leader[back];
                apart[at] = far;
                break;
            }
        }
    }
    let mut groups: Vec<Group> = Vec::new();
    let mut number = vec![usize::MAX; list.len()];
    for at in 0..list.len() {
        if leader[at] == at {
            continue;
        }
        let first = leader[at];
        if number[first] == usize::MAX {
            number[first] = groups.len();
            groups.push(Group { joints: vec![list[first]], apart: 0.0 });
        }
        let group = &mut groups[number[first]];
        group.joints.push(list[at]);
        group.apart = group.apart.max(apart[at]);
    }
    for group in &mut groups {
        group.joints.sort_by(|a, b| ctx.name(*a).cmp(ctx.name(*b)).then(a.cmp(b)));
    }
    groups.sort_by_key(|group| group.joints[0]);
    groups
}

/// Leaves the skin to one of the two where nothing hangs from the other.
fn merge(ctx: &Context<'_>, first: JointId, rest: &[JointId]) -> Option<Fix> {
    let [other] = rest else { return None };
    let leaf = |joint: JointId| ctx.facts.tree().children[joint.index()].is_empty();
    let (from, to) = match (leaf(first), leaf(*other)) {
        (_, true) => (*other, first),
        (true, false) => (first, *other),
        _ => return None,
    };
    let applicability = Applicability::Review;
    if ctx.rig.source == Source::Gltf {
        let node = |joint: JointId| ctx.rig.joints[joint.index()].node.map(|node| node.0);
        let arguments = json!({"from": node(from)?, "to": node(to)?});
        let summary = format!("hand the skin of {} over to {}", ctx.name(from), ctx.name(to));
        return Some(Fix::Repair { applicability, name: "hand-over".into(), arguments, summary });
    }
    // A joint that something refers to cannot simply go.
    let rig = ctx.rig;
    let listed = rig.parts.iter().flat_map(|p| &p.joints).chain(rig.groups.iter().flat_map(|g| &g.joints));
    let carried = rig.pieces.iter().map(|piece| &piece.carried_by);
    let referred = listed.chain(carried).any(|joint| *joint == Ok(from))
        || rig
            .declared_roots
            .iter()
            .flatten()
            .any(|name| Some(name) == rig.joints[from.index()].name.as_ref())
        || rig.joints.iter().any(|joint| joint.parent == Parent::Joint(from));
    let summary = format!("remove {}", ctx.name(from));
    let patch = vec![PatchOp::remove(format!("/joints/{}", from.0))];
    (!referred).then_some(Fix::Patch { applicability, summary, patch })
}

fn everywhere(joints: usize, places: usize, metres: f64, s: f64, limit: f64) -> String {
    format!(
        "{joints} joints share origin and tip with another one, in {places} places, at most {} apart (limit {})",
        length(metres, s),
        share_of_s(limit)
    )
}

fn message(name: &str, others: &str, metres: f64, s: f64, limit: f64) -> String {
    format!(
        "{name} and {others} share origin and tip: they are at most {} apart (limit {})",
        length(metres, s),
        share_of_s(limit)
    )
}
