//! Faults of where joints, contacts and rocking points lie in the body.

use glam::DVec3;
use serde_json::json;

use super::super::{Document, Planted, Planter, Site, Strength};
use crate::body::Body;
use crate::facts::TipKind;
use crate::finding::vector_json;
use crate::model::{JointId, PartKind};

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "placement/foot-width",
        band: Some("narrow"),
        plan: true,
        gltf: false,
        far: Some(0.05),
        plant: foot_width,
    },
    Planter {
        check: "placement/foot-width",
        band: Some("wide"),
        plan: true,
        gltf: false,
        far: Some(3.0),
        plant: foot_width,
    },
    Planter { check: "placement/ground", band: None, plan: true, gltf: false, far: Some(0.1), plant: ground },
    Planter {
        check: "placement/off-centre",
        band: None,
        plan: true,
        gltf: true,
        far: Some(0.96),
        plant: off_centre,
    },
    Planter {
        check: "placement/outside-body",
        band: None,
        plan: true,
        gltf: true,
        far: Some(1.0),
        plant: outside_body,
    },
];

/// A foot's contact is lifted or sunk.
fn ground(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let foot = site.random.below(rig.feet.len());
    let contact = rig.feet.get(foot)?.contact;
    let up = site.amount * site.random.sign();
    let mut plan = site.spoilt_plan()?;
    let to = contact + DVec3::Y * up * site.facts.s();
    plan["feet"][foot]["contact"] = vector_json(rig.frame.point_to_plan(to));
    let what = format!("the contact of foot {foot} is {up:.4} of S above the sole");
    Some(Planted { document: Document::Plan(plan), subjects: vec![format!("/feet/{foot}")], what })
}

/// Rocking points come together or go apart. A sound foot's are its own width apart, so that the strength is what is
/// more or less than one.
fn foot_width(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let foot = site.random.below(rig.feet.len());
    let [a, b] = rig.feet.get(foot)?.rocking?;
    let ratio = match site.strength {
        Strength::Times(times) => (1.0 + (site.limit - 1.0) * times).max(0.02),
        _ => site.amount,
    };
    let (middle, half) = ((a + b) / 2.0, (b - a) / 2.0 * ratio);
    let mut plan = site.spoilt_plan()?;
    let point = |p: DVec3| vector_json(rig.frame.point_to_plan(p));
    plan["feet"][foot]["rocking"] = json!([point(middle - half), point(middle + half)]);
    let what = format!("foot {foot} rocks over {ratio:.2} times its width");
    Some(Planted { document: Document::Plan(plan), subjects: vec![format!("/feet/{foot}")], what })
}

/// Segments with two known ends, of joints that move skin: the joint, and the joint at its tip if there is one.
fn segments(site: &Site<'_>) -> Vec<(JointId, Option<JointId>)> {
    let (facts, tree) = (site.facts, site.facts.tree());
    let still = |joint: JointId| site.unique(joint) && site.at_bind(joint);
    site.joints()
        .into_iter()
        .filter(|joint| facts.deforms(*joint) && still(*joint) && tree.parent[joint.index()].is_some())
        .filter_map(|joint| {
            let tip = &facts.tips()[joint.index()];
            let child = match (site.plan(), tip.kind) {
                (true, TipKind::Declared) => tree.children[joint.index()]
                    .iter()
                    .copied()
                    .find(|child| facts.origin(*child).distance(tip.point) < 1e-4 * facts.s()),
                (_, TipKind::Child(child)) => Some(child),
                (false, _) => return None,
                _ => None,
            };
            let moves = child.is_none_or(|child| still(child) && (site.plan() || facts.deforms(child)));
            let meant = child.is_some() || tip.kind == TipKind::Declared;
            (moves && meant).then_some((joint, child))
        })
        .collect()
}

/// The document with a whole segment moved aside.
fn shifted(site: &Site<'_>, joint: JointId, child: Option<JointId>, by: DVec3) -> Option<Document> {
    let mut moves = vec![(joint, by)];
    moves.extend(child.map(|child| (child, by)));
    let mut document = site.moved(&moves)?;
    if let Document::Plan(plan) = &mut document {
        let rig = site.facts.rig();
        if let Some(tip) = rig.joints[joint.index()].tip {
            plan["joints"][joint.index()]["tip"] = vector_json(rig.frame.point_to_plan(tip + by));
        }
    }
    Some(document)
}

/// Points looked at along a segment.
const POINTS: u32 = 40;

/// The share of a segment that is neither in the body nor next to its skin.
fn outside(body: &Body<'_>, (from, to): (DVec3, DVec3), near: f64) -> f64 {
    let out = (0..POINTS)
        .map(|step| from.lerp(to, (f64::from(step) + 0.5) / f64::from(POINTS)))
        .filter(|point| !body.holds(*point) && body.nearest(*point, near).is_none())
        .count();
    out as f64 / f64::from(POINTS)
}

/// A segment is moved aside, out of the body.
fn outside_body(site: &mut Site<'_>) -> Option<Planted> {
    let body = site.facts.solid()?;
    let s = site.facts.s();
    // What is this near to the skin counts as in it (the page of placement/outside-body).
    let near = 0.01 * s;
    let list = segments(site);
    let (joint, child) = site.draw(&list)?;
    let ends = (site.facts.origin(joint), site.facts.tips()[joint.index()].point);
    let along = (ends.1 - ends.0).try_normalize()?;
    let aside = site.random.direction().reject_from_normalized(along).try_normalize()?;
    if outside(&body, ends, near) > 0.0 {
        return None;
    }
    let share = |by: f64| outside(&body, (ends.0 + aside * by, ends.1 + aside * by), near);
    let fits = |by: &f64| {
        let share = share(*by);
        if site.amount >= 1.0 { share >= 1.0 } else { (share - site.amount).abs() <= 0.05 }
    };
    let by = (1..=150).map(|step| f64::from(step) * 0.004 * s).find(fits)?;
    Some(Planted {
        document: shifted(site, joint, child, aside * by)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} % of {} is outside", share(by) * 100.0, site.name(joint)),
    })
}

/// A segment is moved towards the skin of its limb.
fn off_centre(site: &mut Site<'_>) -> Option<Planted> {
    let body = site.facts.solid()?;
    let (facts, rig, s) = (site.facts, site.facts.rig(), site.facts.s());
    let limb =
        |joint: JointId| match rig.joints[joint.index()].part.and_then(|part| rig.parts[part.index()].kind) {
            Some(kind) => matches!(kind, PartKind::Arm | PartKind::Leg | PartKind::Wing | PartKind::Digit),
            None => facts.twins().twin(joint).is_some(),
        };
    let list: Vec<(JointId, Option<JointId>)> =
        segments(site).into_iter().filter(|(joint, _)| limb(*joint)).collect();
    let (joint, child) = site.draw(&list)?;
    let (from, to) = (facts.origin(joint), facts.tips()[joint.index()].point);
    let along = (to - from).try_normalize()?;
    let middle = from.lerp(to, 0.5);
    if !body.holds(middle) {
        return None;
    }
    // Towards the skin that is nearest: the limb is thinnest that way.
    let skin = body.nearest(middle, s)?.point;
    let aside = (skin - middle).reject_from_normalized(along).try_normalize()?;
    let (there, back) = (body.first_hit(middle, aside, s)?, body.first_hit(middle, -aside, s)?);
    if (back - there).abs() > 0.3 * (there + back) {
        return None;
    }
    let by = (site.amount * (there + back) + there - back) / 2.0;
    Some(Planted {
        document: shifted(site, joint, child, aside * by)?,
        subjects: vec![site.pointer(joint)],
        what: format!(
            "{} is moved by {:.4} of S, to an imbalance of {:.2}",
            site.name(joint),
            by / s,
            site.amount
        ),
    })
}
