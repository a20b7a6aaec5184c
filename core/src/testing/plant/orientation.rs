//! Faults of the way joints are turned.

mod axes;

use super::{Planted, Planter, Site};
use crate::facts::Link;
use crate::model::{JointId, Source};
use crate::testing::Mutation;

pub(super) const ALL: &[&[Planter]] = &[PLANTERS, axes::PLANTERS];

const PLANTERS: &[Planter] = &[
    Planter {
        check: "orientation/mirror-twist",
        band: None,
        plan: true,
        gltf: true,
        far: Some(45.0),
        plant: mirror_twist,
    },
    Planter {
        check: "orientation/not-rigid",
        band: None,
        plan: true,
        gltf: true,
        far: Some(0.5),
        plant: not_rigid,
    },
    Planter {
        check: "orientation/twist-drift",
        band: None,
        plan: true,
        gltf: true,
        far: Some(45.0),
        plant: twist_drift,
    },
];

/// Of two twins that mirror, one is turned about its length.
fn mirror_twist(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    let axis = facts.long_axis()?.vector();
    facts.mirror()?;
    let asymmetric = |joint: JointId| {
        let rig = facts.rig();
        rig.joints[joint.index()].part.is_some_and(|part| rig.parts[part.index()].asymmetric)
    };
    let pairs: Vec<(JointId, JointId)> = facts
        .twins()
        .pairs
        .iter()
        .copied()
        .filter(|(left, right)| facts.deforms(*left) && facts.deforms(*right))
        .filter(|(left, right)| !asymmetric(*left) && !asymmetric(*right))
        .filter(|(left, right)| mirrored(site, *left, *right))
        .collect();
    let (left, right) = site.draw(&pairs)?;
    let joint = if site.random.sign() > 0.0 { left } else { right };
    if !site.unique(joint) {
        return None;
    }
    let degrees = site.amount * site.random.sign();
    let fault = Mutation::Twist { joint: site.name(joint).to_owned(), axis, degrees };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(left), site.pointer(right)],
        what: format!("{} is twisted by {degrees:.2}°", site.name(joint)),
    })
}

/// Whether two twins' frames mirror now in one of the ways that frames can, by far less than any limit: a flip of one
/// axis makes a mirrored frame a frame again, so the axes may differ by half turns only.
fn mirrored(site: &Site<'_>, left: JointId, right: JointId) -> bool {
    let Some(plane) = site.facts.mirror() else { return false };
    let frames = &site.facts.bind().joints;
    let (a, b) = (frames[left.index()].basis, frames[right.index()].basis);
    let reflect = |v: glam::DVec3| v - 2.0 * plane.normal * plane.normal.dot(v);
    let columns = [(a.x_axis, b.x_axis), (a.y_axis, b.y_axis), (a.z_axis, b.z_axis)];
    columns.iter().all(|(l, r)| reflect(*l).dot(*r).abs() > 0.5_f64.to_radians().cos())
}

/// A quaternion is written too long or too short.
fn not_rigid(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let turned: Vec<JointId> = site
        .joints()
        .into_iter()
        .filter(|joint| {
            let rotation = rig.joints[joint.index()].rotation;
            rotation.is_some_and(|q| (q.iter().map(|c| c * c).sum::<f64>().sqrt() - 1.0).abs() < 1e-6)
        })
        .collect();
    let joint = site.draw(&turned)?;
    let factor = 1.0 + site.amount * site.random.sign();
    let fault = Mutation::Quaternion { joint: site.name(joint).to_owned(), factor };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("the quaternion of {} is {factor:.5} long", site.name(joint)),
    })
}

/// A joint within a chain is turned about its length.
fn twist_drift(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    let axis = facts.long_axis()?.vector();
    let straight = |link: &Link| {
        link.bend < 45.0
            && facts.deforms(link.joint)
            && facts.deforms(link.parent)
            && link.beyond_quarter().abs() < site.limit * 0.1
    };
    let mut inner = Vec::new();
    for chain in facts.twist() {
        // Where a chain's frames wander already, one more turn is no fault planted in a sound place.
        if chain.links.iter().all(straight) {
            inner.extend(chain.links.iter().map(|link| link.joint));
        }
    }
    let joint = site.draw(&inner)?;
    if !site.unique(joint) {
        return None;
    }
    let degrees = site.amount * site.random.sign();
    let mut subjects = vec![site.pointer(joint)];
    // A whole chain's finding is at its first joint; the turn of one joint may be seen at the next one as well.
    subjects.extend(facts.tree().children[joint.index()].iter().map(|child| site.pointer(*child)));
    if facts.rig().source == Source::Plan {
        facts.rig().joints[joint.index()].rotation?;
    }
    let fault = Mutation::Twist { joint: site.name(joint).to_owned(), axis, degrees };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects,
        what: format!("{} is twisted by {degrees:.2}°", site.name(joint)),
    })
}
