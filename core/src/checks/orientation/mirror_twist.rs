//! Twins whose frames do not mirror.

use std::collections::BTreeMap;

use glam::{DMat3, DQuat, DVec3};
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{count, deg};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit, quaternion_json};
use crate::model::{JointId, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "orientation/mirror-twist",
    summary: "a twin's axes do not mirror",
    why: "the same rotation on both sides must give mirrored poses; with one frame turned, a mirrored pose breaks that limb",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("mirror_twist.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "residual",
            case: "",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 5.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "lawless",
            case: "lawless",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 5.0,
            unit: "deg",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Orientations, Need::Symmetry],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 45.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// The axes that flip where a frame is its twin's mirror image.
const FLIPS: [(&str, DVec3); 4] = [
    ("x flipped", DVec3::new(-1.0, 1.0, 1.0)),
    ("y flipped", DVec3::new(1.0, -1.0, 1.0)),
    ("z flipped", DVec3::new(1.0, 1.0, -1.0)),
    ("all axes flipped", DVec3::new(-1.0, -1.0, -1.0)),
];

/// The ways in which a frame can be its twin's mirror image: four flips, and the same with a quarter turn about the
/// length (half turns are flips again).
const WAYS: usize = 8;

/// What a way does to the frame's own axes.
fn way(number: usize, long: DVec3) -> DMat3 {
    let flip = DMat3::from_diagonal(FLIPS[number % 4].1);
    if number < 4 { flip } else { flip * DMat3::from_axis_angle(long, std::f64::consts::FRAC_PI_2) }
}

fn way_text(number: usize) -> String {
    let (flip, _) = FLIPS[number % 4];
    if number < 4 { flip.to_owned() } else { format!("{flip}, a quarter turn about the length") }
}

/// Twins whose mirrored segments differ by more than this are not twins in shape, degrees.
const SAME_SEGMENT: f64 = 5.0;

struct Judged {
    left: JointId,
    right: JointId,
    /// Residual angle per way, degrees.
    residual: [f64; WAYS],
    /// The topmost pair of the limb.
    limb: JointId,
}

impl Judged {
    fn best(&self) -> usize {
        (0..WAYS).min_by(|a, b| self.residual[*a].total_cmp(&self.residual[*b])).unwrap_or(0)
    }
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let judged = judge_pairs(ctx);
    let Some(rig_wide) = majority(judged.iter(), limit) else { return };
    let mut limbs: BTreeMap<JointId, Vec<&Judged>> = BTreeMap::new();
    for pair in &judged {
        limbs.entry(pair.limb).or_default().push(pair);
    }
    let mut off: Vec<(&Judged, usize)> = Vec::new();
    for pairs in limbs.values() {
        // A limb that mirrors in its own way throughout follows a convention, not a fault.
        let own = majority(pairs.iter().copied(), limit).filter(|own| {
            let agreeing = pairs.iter().filter(|p| p.residual[*own] <= limit).count();
            agreeing == pairs.len() || (agreeing >= 3 && agreeing * 4 >= pairs.len() * 3)
        });
        let convention = own.unwrap_or(rig_wide);
        off.extend(pairs.iter().filter(|p| p.residual[convention] > limit).map(|p| (*p, convention)));
    }
    if off.len() > 3 && off.len() * 2 > judged.len() {
        let worst = off.iter().map(|(pair, convention)| pair.residual[*convention]).fold(0.0, f64::max);
        // Frames that were never mirrored are told, but nobody's slip.
        let Some(hit) = sink.judge("lawless", worst) else { return };
        let mut fact = Fact::new(Subject::Rig, everywhere(off.len(), judged.len(), worst, hit.bound()))
            .evidence("largest angle from the mirrored frame", worst, hit.limit, Unit::Degree)
            .evidence("pairs", off.len() as f64, None, Unit::Count);
        for (pair, _) in off.iter().take(25) {
            fact = fact
                .related(Subject::Joint(pair.left), "member")
                .related(Subject::Joint(pair.right), "member");
        }
        sink.report(hit, fact);
        return;
    }
    let mut by_limb: BTreeMap<JointId, Vec<(&Judged, usize)>> = BTreeMap::new();
    for (pair, convention) in off {
        by_limb.entry(pair.limb).or_default().push((pair, convention));
    }
    for pairs in by_limb.values() {
        let Some((first, convention)) = pairs.first().copied() else { continue };
        let worst = pairs.iter().map(|(pair, c)| pair.residual[*c]).fold(0.0, f64::max);
        let Some(hit) = sink.judge("", worst) else { continue };
        let text = message(
            ctx.name(first.left),
            ctx.name(first.right),
            worst,
            hit.bound(),
            &way_text(convention),
            pairs.len() - 1,
        );
        let mut fact = Fact::new(Subject::Pair(first.left, first.right), text).evidence(
            "angle from the mirrored frame",
            worst,
            hit.limit,
            Unit::Degree,
        );
        for (pair, _) in pairs {
            fact =
                fact.related(Subject::Joint(pair.left), "twin").related(Subject::Joint(pair.right), "twin");
        }
        sink.report(hit, fact.fix(mirror(ctx, pairs)));
    }
}

fn judge_pairs(ctx: &Context<'_>) -> Vec<Judged> {
    let facts = ctx.facts;
    let Some(plane) = facts.mirror() else { return Vec::new() };
    let frames = &facts.bind().joints;
    let tree = facts.tree();
    let twins = facts.twins();
    let reflect = reflection(plane.normal);
    let long = facts.long_axis().map_or(DVec3::Y, |axis| axis.vector());
    twins
        .pairs
        .iter()
        .filter(|(a, b)| facts.deforms(*a) && facts.deforms(*b))
        .filter(|(a, b)| !remedy::asymmetric(ctx.rig, *a) && !remedy::asymmetric(ctx.rig, *b))
        .filter(|(a, b)| {
            [a, b].iter().all(|j| {
                ctx.rig.joints[j.index()].rotation.is_some() || ctx.rig.joints[j.index()].node.is_some()
            })
        })
        // Where the segments themselves do not mirror (a bigger claw), frames along them cannot.
        .filter(|(left, right)| {
            let along = |joint: &JointId| {
                let tip = &facts.tips()[joint.index()];
                tip.known().then(|| (tip.point - facts.origin(*joint)).try_normalize()).flatten()
            };
            match (along(left), along(right)) {
                (Some(a), Some(b)) => (reflect * a).angle_between(b).to_degrees() < SAME_SEGMENT,
                _ => true,
            }
        })
        .filter_map(|(left, right)| {
            let (a, b) = (frames[left.index()].basis, frames[right.index()].basis);
            // A mirrored or sheared bind matrix is another check's finding.
            let sound = |m: &DMat3| (m.determinant() - 1.0).abs() < 1e-2;
            if !(sound(&a) && sound(&b)) {
                return None;
            }
            let residual =
                std::array::from_fn(|number| angle(b.transpose() * (reflect * a * way(number, long))));
            let limb =
                tree.ancestors(*left).take_while(|up| twins.twin(*up).is_some()).last().unwrap_or(*left);
            Some(Judged { left: *left, right: *right, residual, limb })
        })
        .collect()
}

/// The convention that most pairs follow within the limit.
fn majority<'j>(pairs: impl Iterator<Item = &'j Judged> + Clone, limit: f64) -> Option<usize> {
    pairs.clone().next()?;
    (0..WAYS).max_by_key(|c| {
        let agreeing = pairs.clone().filter(|pair| pair.best() == *c && pair.residual[*c] <= limit).count();
        (agreeing, std::cmp::Reverse(*c))
    })
}

fn reflection(n: DVec3) -> DMat3 {
    DMat3::from_cols(DVec3::X - 2.0 * n.x * n, DVec3::Y - 2.0 * n.y * n, DVec3::Z - 2.0 * n.z * n)
}

/// The angle of a rotation matrix, degrees.
fn angle(m: DMat3) -> f64 {
    let skew = DVec3::new(m.y_axis.z - m.z_axis.y, m.z_axis.x - m.x_axis.z, m.x_axis.y - m.y_axis.x);
    let trace = m.x_axis.x + m.y_axis.y + m.z_axis.z;
    skew.length().atan2(trace - 1.0).to_degrees()
}

/// Gives the right twins the left ones' mirrored frames.
fn mirror(ctx: &Context<'_>, pairs: &[(&Judged, usize)]) -> Option<Fix> {
    let plane = ctx.facts.mirror()?;
    let reflect = reflection(plane.normal);
    let long = ctx.facts.long_axis().map_or(DVec3::Y, |axis| axis.vector());
    let applicability = Applicability::Safe;
    let summary = "give the right twins the mirrored frames of the left ones".to_owned();
    let turned = pairs.iter().map(|(pair, convention)| {
        let left = ctx.facts.bind().joints[pair.left.index()].basis;
        let wanted = reflect * left * way(*convention, long);
        (pair.right, DQuat::from_mat3(&wanted).normalize())
    });
    if ctx.rig.source == Source::Gltf {
        let list: Vec<_> = turned
            .filter_map(|(joint, turn)| {
                let node = ctx.rig.joints[joint.index()].node?;
                Some(json!({"node": node.0, "bind_orientation": quaternion_json(turn)}))
            })
            .collect();
        let arguments = json!({"nodes": list});
        return Some(Fix::Repair {
            applicability: Applicability::Review,
            name: "orient".into(),
            arguments,
            summary,
        });
    }
    let patch = turned.map(|(joint, turn)| remedy::set_orientation(ctx.rig, joint, turn)).collect();
    Some(Fix::Patch { applicability, summary, patch })
}

fn message(left: &str, right: &str, worst: f64, limit: f64, convention: &str, below: usize) -> String {
    let more = if below > 0 {
        format!(", and {} of that limb with it", count(below as u64, "more pair", "more pairs"))
    } else {
        String::new()
    };
    format!(
        "the axes of {right} are {} off the mirrored axes of {left} (convention: {convention}){more} (limit {})",
        deg(worst),
        deg(limit)
    )
}

fn everywhere(off: usize, judged: usize, worst: f64, limit: f64) -> String {
    format!(
        "{off} of {judged} twin pairs do not mirror in any one way, by up to {} (limit {})",
        deg(worst),
        deg(limit)
    )
}
