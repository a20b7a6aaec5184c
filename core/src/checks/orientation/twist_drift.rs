//! Frames that turn about the length of a chain.

use std::collections::{BTreeMap, BTreeSet};

use glam::DQuat;
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{count, deg};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::Link;
use crate::finding::{Applicability, Fact, Fix, Subject, Unit, round};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/twist-drift",
    summary: "a joint is twisted about its length against its chain",
    why: "a chain whose axes wander bends sideways when its joints are rotated together",
    rule: Rule {
        title: "Wang, Jüttler, Zheng, Liu: Computation of Rotation Minimizing Frames, ACM TOG 27(1), 2008",
        section: "2",
    },
    page: include_str!("twist_drift.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "drift",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 10.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "lawless",
            case: "lawless",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 10.0,
            unit: "deg",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Orientations, Need::LongAxis],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Modulo { most: 45.0, period: 90.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Above this bend the smallest rotation says little about twist, degrees.
const MOST_BEND: f64 = 45.0;
/// Two twists this close are the same twist, degrees.
const SAME: f64 = 5.0;

/// How many times what is usual in its chain a twist must be: in a chain whose axes wander all along, no one link is off.
const UNUSUAL: f64 = 3.0;

/// The median twist of a chain's links, degrees; nothing is usual in fewer than four.
fn usual(links: &[&Link]) -> f64 {
    let mut all: Vec<f64> = links.iter().map(|link| link.beyond_quarter().abs()).collect();
    all.sort_by(f64::total_cmp);
    if all.len() < 4 { 0.0 } else { all[(all.len() - 1) / 2] }
}

struct Drift {
    chain: usize,
    /// The joints that are turned, in chain order.
    joints: Vec<JointId>,
    /// The joint that a finding names, and the one that it is turned against.
    named: JointId,
    against: JointId,
    link: Link,
    /// How far they are turned, degrees.
    twist: f64,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let facts = ctx.facts;
    let Some(limit) = sink.limit("") else { return };
    let all: Vec<Link> = facts.twist().iter().flat_map(|t| t.links.iter().copied()).collect();
    let by_joint: BTreeMap<JointId, &Link> = all.iter().map(|link| (link.joint, link)).collect();
    let twisted = |joint: JointId| by_joint.get(&joint).copied();
    let namesakes = Namesakes::new(ctx);
    let mut eligible = 0_usize;
    let mut drifts: Vec<Drift> = Vec::new();
    for (number, chain) in facts.twist().iter().enumerate() {
        let links: Vec<&Link> = chain
            .links
            .iter()
            .filter(|l| facts.deforms(l.joint) && facts.deforms(l.parent) && l.bend < MOST_BEND)
            .collect();
        eligible += links.len();
        let least = limit.max(usual(&links) * UNUSUAL);
        let off: Vec<(usize, f64)> = links
            .iter()
            .enumerate()
            .map(|(at, link)| (at, link.beyond_quarter()))
            .filter(|(_, q)| q.abs() > least)
            .collect();
        // The same step at most links is how this chain is built.
        let habit = off.iter().any(|(_, q)| {
            let same = off.iter().filter(|(_, other)| close(*q, *other)).count();
            same >= 3 && same * 3 >= links.len() * 2
        });
        if habit {
            continue;
        }
        let mut closed = BTreeSet::new();
        for (slot, (at, q)) in off.iter().enumerate() {
            if closed.contains(at) {
                continue;
            }
            let link = links[*at];
            // The twin with the opposite twist is proof of intent; so is the same one, where frames were copied.
            let twin = facts.twins().twin(link.joint).or_else(|| namesakes.twin(ctx, link.joint));
            let mirrored =
                twin.and_then(twisted).is_some_and(|twin| close(twin.beyond_quarter().abs(), q.abs()));
            if mirrored {
                continue;
            }
            let back = off[slot + 1..].iter().find(|(later, r)| !closed.contains(later) && close(*r, -q));
            let until = back.map_or(links.len(), |(later, _)| {
                closed.insert(*later);
                *later
            });
            let after: Vec<JointId> = links[*at..until].iter().map(|l| l.joint).collect();
            // A twist that nothing takes back divides the chain in two: the shorter end is the one that was turned.
            let before: Vec<JointId> = links[..*at].iter().map(|l| l.joint).collect();
            let first = links[0].parent;
            if back.is_none() && off.len() == 1 && before.len() + 1 < after.len() {
                let joints: Vec<JointId> = std::iter::once(first).chain(before).collect();
                drifts.push(Drift {
                    chain: number,
                    named: link.parent,
                    against: link.joint,
                    joints,
                    link: *link,
                    twist: -*q,
                });
            } else {
                drifts.push(Drift {
                    chain: number,
                    named: link.joint,
                    against: link.parent,
                    joints: after,
                    link: *link,
                    twist: *q,
                });
            }
        }
    }
    // Where a third of all links drift, nothing was meant: one finding says so, as for more than two chains.
    let lawless = drifts.len() > 3 && drifts.len() * 3 > eligible;
    let chains: BTreeSet<usize> = drifts.iter().map(|drift| drift.chain).collect();
    if lawless || chains.len() > 2 {
        let worst = drifts.iter().map(|d| d.twist.abs()).fold(0.0, f64::max);
        // What was never meant is told, but nobody's slip.
        let Some(hit) = sink.judge(if lawless { "lawless" } else { "" }, worst) else { return };
        let mut fact =
            Fact::new(Subject::Rig, everywhere(drifts.len(), eligible, lawless, worst, hit.bound()))
                .evidence("largest twist beyond a quarter turn", worst, hit.limit, Unit::Degree)
                .evidence("links", drifts.len() as f64, None, Unit::Count);
        for drift in drifts.iter().take(50) {
            fact = fact.related(Subject::Joint(drift.named), "member");
        }
        // Without a rule there is nothing to turn them back to.
        sink.report(hit, if lawless { fact } else { fact.fix(turn(ctx, &drifts)) });
        return;
    }
    let mut by_chain: BTreeMap<usize, Vec<Drift>> = BTreeMap::new();
    for drift in drifts {
        by_chain.entry(drift.chain).or_default().push(drift);
    }
    for (chain, drifts) in by_chain {
        let Some(worst) = drifts.iter().max_by(|a, b| a.twist.abs().total_cmp(&b.twist.abs())) else {
            continue;
        };
        let Some(hit) = sink.judge("", worst.twist.abs()) else { continue };
        let (name, against) = (ctx.name(worst.named), ctx.name(worst.against));
        let turned: BTreeSet<JointId> =
            drifts.iter().flat_map(|drift| drift.joints.iter().copied()).collect();
        // One turned joint is named itself, several are the chain's matter.
        let (subject, text) = if let [only] = drifts.as_slice() {
            let text = message(name, against, only.twist.abs(), hit.bound(), only.joints.len() - 1);
            (Subject::Joint(worst.named), text)
        } else {
            let subject = Subject::Chain(facts.chains()[chain].clone());
            let text = along(&ctx.labels.name(&subject), drifts.len(), name, worst.twist.abs(), hit.bound());
            (subject, text)
        };
        let mut fact = Fact::new(subject, text)
            .related(Subject::Joint(worst.against), "neighbour")
            .evidence("twist beyond a quarter turn", worst.twist.abs(), hit.limit, Unit::Degree)
            .evidence("twist", worst.link.twist, None, Unit::Degree)
            .evidence("bend", worst.link.bend, None, Unit::Degree)
            .fix(turn(ctx, &drifts));
        for joint in turned.into_iter().filter(|joint| *joint != worst.named) {
            fact = fact.related(Subject::Joint(joint), "member");
        }
        sink.report(hit, fact);
    }
}

/// Twins by name, for rigs whose symmetry cannot be proven.
struct Namesakes<'a>(BTreeMap<&'a str, JointId>);

impl<'a> Namesakes<'a> {
    fn new(ctx: &Context<'a>) -> Self {
        let names = ctx.facts.names();
        Self(names.plain.iter().enumerate().map(|(at, name)| (name.as_str(), JointId::new(at))).collect())
    }

    fn twin(&self, ctx: &Context<'_>, joint: JointId) -> Option<JointId> {
        let names = ctx.facts.names();
        let other = names.sides[joint.index()].as_ref()?.swapped(&names.plain[joint.index()])?;
        self.0.get(other.as_str()).copied()
    }
}

/// Equal modulo a quarter turn.
fn close(a: f64, b: f64) -> bool {
    let difference = a - b;
    (difference - 90.0 * (difference / 90.0).round()).abs() <= SAME
}

/// Turns the joints back about their own long axes; twists that reach over the same joint add up.
fn turn(ctx: &Context<'_>, drifts: &[Drift]) -> Option<Fix> {
    let axis = ctx.facts.long_axis()?.vector();
    let mut back: BTreeMap<JointId, f64> = BTreeMap::new();
    for drift in drifts {
        for joint in &drift.joints {
            *back.entry(*joint).or_default() -= drift.twist;
        }
    }
    let summary = match back.iter().next() {
        Some((_, degrees)) if back.len() == 1 => format!("twist by {}", deg(*degrees)),
        _ => format!("twist {} joints back into line", back.len()),
    };
    let applicability = Applicability::Safe;
    if ctx.rig.source == Source::Gltf {
        let list: Vec<_> = back
            .iter()
            .filter_map(|(joint, degrees)| {
                let node = ctx.rig.joints[joint.index()].node?;
                Some(json!({"node": node.0, "degrees": round(*degrees)}))
            })
            .collect();
        let arguments = json!({"nodes": list, "axis": axis.to_array()});
        return Some(Fix::Repair { applicability, name: "twist".into(), arguments, summary });
    }
    let patch = back
        .iter()
        .map(|(joint, degrees)| {
            let turned = DQuat::from_mat4(&ctx.rig.joints[joint.index()].rest)
                * DQuat::from_axis_angle(axis, degrees.to_radians());
            remedy::set_orientation(ctx.rig, *joint, turned)
        })
        .collect();
    Some(Fix::Patch { applicability, summary, patch })
}

fn along(chain: &str, drifts: usize, worst: &str, twist: f64, limit: f64) -> String {
    format!(
        "{drifts} joints of {chain} are twisted about their length, {worst} most by {} (limit {})",
        deg(twist),
        deg(limit)
    )
}

fn message(name: &str, against: &str, twist: f64, limit: f64, below: usize) -> String {
    let more = if below > 0 {
        format!(", and {} beside it with it", count(below as u64, "joint", "joints"))
    } else {
        String::new()
    };
    format!(
        "{name} is twisted {} about its length against {against}{more} (limit {})",
        deg(twist),
        deg(limit)
    )
}

fn everywhere(links: usize, eligible: usize, lawless: bool, worst: f64, limit: f64) -> String {
    let verdict = if lawless { ": the frames follow no rule" } else { "" };
    format!(
        "{links} of {eligible} links are twisted about their length, by up to {} (limit {}){verdict}",
        deg(worst),
        deg(limit)
    )
}
