//! Faults of a joint's axes against its segment and its limb, and of scale.

use glam::DVec3;

use super::super::{Planted, Planter, Site};
use crate::facts::{Hinge, TipKind};
use crate::model::{JointId, Local, Parent};
use crate::testing::Mutation;

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "orientation/hinge-axis",
        band: None,
        plan: true,
        gltf: true,
        far: Some(45.0),
        plant: hinge_axis,
    },
    Planter {
        check: "orientation/long-axis",
        band: None,
        plan: true,
        gltf: true,
        far: Some(14.5),
        plant: long_axis,
    },
    Planter {
        check: "orientation/mixed-axes",
        band: None,
        plan: true,
        gltf: true,
        far: Some(0.45),
        plant: mixed_axes,
    },
    Planter {
        check: "orientation/scale",
        band: Some("bind"),
        plan: false,
        gltf: true,
        far: Some(1.0),
        plant: bind_scale,
    },
    Planter {
        check: "orientation/scale",
        band: Some("rest"),
        plan: false,
        gltf: true,
        far: Some(1.0),
        plant: rest_scale,
    },
];

/// A bent hinge's bend axis is turned off the normal of its limb's plane.
fn hinge_axis(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let long = facts.long_axis()?;
    let aligned = |hinge: &&Hinge| {
        let frame = &facts.bind().joints[hinge.mid.index()];
        let along = frame.basis * long.vector();
        let Some(normal) = hinge.normal().and_then(|n| n.reject_from_normalized(along).try_normalize())
        else {
            return false;
        };
        let axes: Vec<DVec3> = match rig.declared_bend_axis {
            Some(axis) => vec![axis],
            None => (0..3).filter(|at| *at != long.axis as usize).map(|at| DVec3::AXES[at]).collect(),
        };
        let near =
            axes.iter().any(|axis| (frame.basis * *axis).dot(normal).abs() > 2.0_f64.to_radians().cos());
        near && hinge.bend() > 8.0
            && hinge.long <= 3
            && site.unique(hinge.mid)
            && facts.deforms(hinge.mid)
            && (rig.joints[hinge.mid.index()].node.is_some()
                || rig.joints[hinge.mid.index()].rotation.is_some())
    };
    let list: Vec<Hinge> = facts.hinges().iter().filter(aligned).copied().collect();
    let hinge = site.draw(&list)?;
    let degrees = site.amount * site.random.sign();
    let fault = Mutation::Twist { joint: site.name(hinge.mid).to_owned(), axis: long.vector(), degrees };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(hinge.mid)],
        what: format!("{} is turned about its length by {degrees:.2}°", site.name(hinge.mid)),
    })
}

/// A unit vector across an axis, drawn.
fn across(site: &mut Site<'_>, axis: DVec3) -> Option<DVec3> {
    site.random.direction().reject_from_normalized(axis).try_normalize()
}

/// A joint is turned away from its segment.
fn long_axis(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig, tree) = (site.facts, site.facts.rig(), site.facts.tree());
    let long = facts.long_axis()?.vector();
    let aimed = |joint: &JointId| {
        let index = joint.index();
        let end = match (facts.tips()[index].kind, tree.children[index].as_slice()) {
            (TipKind::Declared, _) => facts.tips()[index].point,
            (TipKind::Child(child), [only]) if child == *only && facts.deforms(child) => facts.origin(child),
            _ => return false,
        };
        let along = end - facts.origin(*joint);
        let basis = facts.bind().joints[index].basis;
        let off = (basis * long).dot(along.normalize_or_zero()).abs().min(1.0).acos().to_degrees();
        off < 0.05 * site.limit
            && along.length() > 0.005 * facts.s()
            && (basis.determinant() - 1.0).abs() < 1e-3
            && facts.deforms(*joint)
            && (rig.joints[index].node.is_some() || rig.joints[index].rotation.is_some())
    };
    let list: Vec<JointId> = site.joints().into_iter().filter(aimed).collect();
    let joint = site.draw(&list)?;
    let axis = across(site, long)?;
    let fault = Mutation::Twist { joint: site.name(joint).to_owned(), axis, degrees: site.amount };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} is turned off its segment by {:.2}°", site.name(joint), site.amount),
    })
}

/// A share of the joints is turned by a quarter, so that another axis lies along them.
fn mixed_axes(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    let main = facts.long_axis()?;
    let voters: Vec<JointId> = facts
        .axes()
        .voters
        .iter()
        .enumerate()
        .filter(|(_, vote)| vote.is_some())
        .map(|(index, _)| JointId::new(index))
        .collect();
    let sound = |joint: &&JointId| facts.axes().voters[joint.index()] == Some(main) && site.unique(**joint);
    let mut list: Vec<JointId> = voters.iter().filter(sound).copied().collect();
    // All but a few agree now, and there are enough of them for a share to be met.
    if voters.len() < 12 || list.len() * 100 < voters.len() * 97 {
        return None;
    }
    let count = (site.amount * voters.len() as f64).round() as usize;
    let axis = DVec3::AXES[(main.axis as usize + 1 + site.random.below(2)) % 3];
    let degrees = 90.0 * site.random.sign();
    let mut faults = Vec::new();
    let mut subjects = Vec::new();
    for _ in 0..count {
        if list.is_empty() {
            return None;
        }
        let joint = list.swap_remove(site.random.below(list.len()));
        subjects.push(site.pointer(joint));
        faults.push(Mutation::Twist { joint: site.name(joint).to_owned(), axis, degrees });
    }
    let what = format!("{count} of {} joints are turned by a quarter", voters.len());
    Some(Planted { document: site.mutate_all(&faults)?, subjects, what })
}

/// A factor on one axis.
fn stretched(site: &mut Site<'_>) -> DVec3 {
    let mut by = DVec3::ONE;
    by[site.random.below(3)] += site.amount;
    by
}

/// A bind matrix is stretched along one axis.
fn bind_scale(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    let even = |joint: &JointId| {
        let frame = &facts.bind().joints[joint.index()];
        let stretch = frame.scale.max_element() / frame.scale.min_element() - 1.0;
        frame.from_matrix && stretch < 1e-4 && (frame.basis.determinant() - 1.0).abs() < 1e-3
    };
    let list: Vec<JointId> = site.joints().into_iter().filter(even).collect();
    let joint = site.draw(&list)?;
    let by = stretched(site);
    let fault = Mutation::Stretch { joint: site.name(joint).to_owned(), by };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("the bind matrix of {} is stretched by {by}", site.name(joint)),
    })
}

/// A joint rests scaled, evenly or along one axis.
fn rest_scale(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let plain = |joint: &JointId| {
        let this = &rig.joints[joint.index()];
        let scale = this.node.map(|node| &rig.nodes[node.index()].local);
        let one = matches!(scale, Some(Local::Trs { scale, .. }) if scale.abs_diff_eq(DVec3::ONE, 1e-6));
        one && matches!(this.parent, Parent::Joint(_))
    };
    let list: Vec<JointId> = site.joints().into_iter().filter(plain).collect();
    let joint = site.draw(&list)?;
    let by = if site.random.sign() > 0.0 { DVec3::splat(1.0 + site.amount) } else { stretched(site) };
    let fault = Mutation::Scale { joint: site.name(joint).to_owned(), by };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![site.pointer(joint)],
        what: format!("{} rests scaled by {by}", site.name(joint)),
    })
}
