//! Faults of the whole asset: the way it faces, its size.

use super::super::{Planted, Planter, Site};
use crate::model::JointId;

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "placement/facing",
        band: Some("turned"),
        plan: true,
        gltf: true,
        far: Some(90.0),
        plant: turned,
    },
    Planter {
        check: "placement/facing",
        band: Some("backward"),
        plan: false,
        gltf: true,
        far: None,
        plant: backward,
    },
    Planter {
        check: "placement/scale",
        band: Some("large"),
        plan: true,
        gltf: true,
        far: Some(1_000.0),
        plant: size,
    },
    Planter {
        check: "placement/scale",
        band: Some("small"),
        plan: true,
        gltf: true,
        far: Some(1e-4),
        plant: size,
    },
];

/// The whole asset is turned about the vertical.
fn turned(site: &mut Site<'_>) -> Option<Planted> {
    let normal = site.facts.mirror()?.normal;
    if normal.x.abs() < 0.999 {
        return None;
    }
    let degrees = site.amount * site.random.sign();
    let what = format!("the asset is turned by {degrees:.1}°");
    Some(Planted { document: site.turned(degrees)?, subjects: vec![String::new()], what })
}

/// The whole asset faces away: legal where feet say which way it faces.
fn backward(site: &mut Site<'_>) -> Option<Planted> {
    let facts = site.facts;
    if facts.mirror()?.normal.x.abs() < 0.999 {
        return None;
    }
    let size = facts.size();
    let low = size.low.y + 0.1 * (size.high.y - size.low.y);
    let ahead = |joint: JointId| {
        let tip = &facts.tips()[joint.index()];
        let along = (tip.point - facts.origin(joint)).normalize_or_zero();
        (tip.known() && facts.origin(joint).y < low && tip.point.y < low && along.with_y(0.0).length() > 0.7)
            .then_some(along.z)
    };
    let ways: Vec<f64> = facts.twins().pairs.iter().flat_map(|(a, b)| [*a, *b]).filter_map(ahead).collect();
    // Two twins or more, and all of them forward.
    if ways.len() < 2 || ways.iter().any(|z| *z < 0.8) {
        return None;
    }
    let what = "the asset faces away".to_owned();
    Some(Planted { document: site.turned(180.0)?, subjects: vec![String::new()], what })
}

/// The whole asset in another unit.
fn size(site: &mut Site<'_>) -> Option<Planted> {
    let s = site.facts.s();
    if !(0.02..30.0).contains(&s) {
        return None;
    }
    let what = format!("the asset is {} m large", site.amount);
    Some(Planted { document: site.scaled(site.amount / s), subjects: vec![String::new()], what })
}
