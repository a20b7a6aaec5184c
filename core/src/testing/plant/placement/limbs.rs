//! Faults of knees and elbows, and of the lengths of limbs.

use glam::DVec3;

use super::super::{Document, Planted, Planter, Site};
use crate::anatomy::proportions::{FOREARM, UPPER_ARM};
use crate::facts::Hinge;
use crate::finding::vector_json;
use crate::model::{JointId, PartKind};
use crate::testing::Mutation;

pub(super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "placement/hinge-order",
        band: None,
        plan: true,
        gltf: true,
        far: Some(0.1),
        plant: hinge_order,
    },
    Planter {
        check: "placement/proportion",
        band: None,
        plan: true,
        gltf: true,
        far: Some(1.0),
        plant: proportion,
    },
    Planter {
        check: "placement/straight-hinge",
        band: Some("bend"),
        plan: true,
        gltf: true,
        far: Some(0.0),
        plant: straight_hinge,
    },
    Planter {
        check: "placement/straight-hinge",
        band: Some("against"),
        plan: true,
        gltf: false,
        far: None,
        plant: against,
    },
];

/// Hinges whose two joints can be moved.
fn hinges(site: &Site<'_>) -> Vec<Hinge> {
    let still = |joint: JointId| site.unique(joint) && site.at_bind(joint);
    let all = site.facts.hinges().iter().copied();
    all.filter(|hinge| still(hinge.upper) && still(hinge.mid) && site.facts.deforms(hinge.mid)).collect()
}

/// The document with the hinge elsewhere, and its two segments' frames turned along, so that their axes lie as before.
fn bent(site: &Site<'_>, hinge: &Hinge, to: DVec3) -> Option<Document> {
    let mut document = site.moved(&[(hinge.mid, to - hinge.at)])?;
    let turns = [
        site.aimed(hinge.upper, hinge.at - hinge.start, to - hinge.start)?,
        site.aimed(hinge.mid, hinge.stop - hinge.at, hinge.stop - to)?,
    ];
    for (turn, joint) in turns.iter().zip([hinge.upper, hinge.mid]) {
        match &mut document {
            Document::Plan(plan) if site.facts.rig().joints[joint.index()].rotation.is_some() => {
                turn.plant_in_plan(plan).ok()?;
            }
            Document::Plan(_) => {}
            Document::Scene(scene) => turn.plant_in_scene(scene).ok()?,
        }
    }
    Some(document)
}

/// Degrees between two segments that meet in a point.
fn bend(start: DVec3, at: DVec3, stop: DVec3) -> f64 {
    let (a, b) = (at - start, stop - at);
    a.cross(b).length().atan2(a.dot(b)).to_degrees()
}

/// Where a quantity that grows from 0 to 1 reaches a value.
fn reached(value: f64, of: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        (low, high) = if of(middle) < value { (middle, high) } else { (low, middle) };
    }
    f64::midpoint(low, high)
}

/// A bent hinge is straightened, but for a little.
fn straight_hinge(site: &mut Site<'_>) -> Option<Planted> {
    // Of a run with more long segments than a limb has, another joint is the hinge once this one is straight.
    let alone = |hinge: &Hinge| site.plan() || hinge.long <= 3;
    let list: Vec<Hinge> =
        hinges(site).into_iter().filter(|hinge| hinge.bend() > 3.0 && alone(hinge)).collect();
    let hinge = site.draw(&list)?;
    let line = (hinge.stop - hinge.start).try_normalize()?;
    let foot = hinge.start + line * line.dot(hinge.at - hinge.start);
    let to = if site.amount > 0.0 {
        let out = reached(site.amount, |part| bend(hinge.start, foot.lerp(hinge.at, part), hinge.stop));
        foot.lerp(hinge.at, out)
    } else {
        foot
    };
    Some(Planted {
        document: bent(site, &hinge, to)?,
        subjects: vec![site.pointer(hinge.mid)],
        what: format!("{} is bent by {:.3}°", site.name(hinge.mid), bend(hinge.start, to, hinge.stop)),
    })
}

/// A hinge is bent the other way than its range folds. Its axes stay.
fn against(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let axis = rig.declared_bend_axis?;
    let one_way = |hinge: &Hinge| {
        let joint = &rig.joints[hinge.mid.index()];
        let folds = joint.range.bend.is_some_and(|[low, high]| high >= 2.0 * -low || -low >= 2.0 * high);
        let basis = site.facts.bind().joints[hinge.mid.index()].basis;
        let about = hinge.normal().is_some_and(|normal| normal.dot(basis * axis).abs() > 0.7);
        folds && joint.rotation.is_some() && about && hinge.bend() > 2.0
    };
    let list: Vec<Hinge> = hinges(site).into_iter().filter(one_way).collect();
    let hinge = site.draw(&list)?;
    let line = (hinge.stop - hinge.start).try_normalize()?;
    let foot = hinge.start + line * line.dot(hinge.at - hinge.start);
    let to = foot - (hinge.at - foot);
    Some(Planted {
        document: bent(site, &hinge, to)?,
        subjects: vec![site.pointer(hinge.mid)],
        what: format!("{} is bent the other way", site.name(hinge.mid)),
    })
}

/// A hinge slides along its limb.
fn hinge_order(site: &mut Site<'_>) -> Option<Planted> {
    let list = hinges(site);
    let hinge = site.draw(&list)?;
    let chord = hinge.stop - hinge.start;
    let line = chord.try_normalize()?;
    let foot = hinge.start + line * line.dot(hinge.at - hinge.start);
    // A small part of its bend is kept.
    let aside = (hinge.at - foot).clamp_length_max(0.02 * chord.length());
    let place = |part: f64| hinge.start + chord * part + aside;
    let share = |part: f64| {
        let (upper, lower) = (hinge.start.distance(place(part)), place(part).distance(hinge.stop));
        upper / (upper + lower)
    };
    let wanted = if site.random.sign() > 0.0 { site.amount } else { 1.0 - site.amount };
    let part = reached(wanted, share);
    let now = hinge.upper_length() / (hinge.upper_length() + hinge.lower_length());
    if !(0.3..0.7).contains(&now) || (share(part) - wanted).abs() > 1e-3 {
        return None;
    }
    Some(Planted {
        document: bent(site, &hinge, place(part))?,
        subjects: vec![site.pointer(hinge.mid)],
        what: format!("{} divides its limb at {:.3}", site.name(hinge.mid), share(part)),
    })
}

/// An arm's segment is made longer or shorter, with all that hangs below it.
fn proportion(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig, tree) = (site.facts, site.facts.rig(), site.facts.tree());
    let size = facts.size();
    let stature = size.high.y - size.low.y;
    let all = facts.hinges();
    let arm = |hinge: &Hinge| match hinge.kind {
        Some(kind) => kind == PartKind::Arm,
        // Two legs reach the ground, two arms start above them.
        None => {
            let higher = all.iter().filter(|other| other.start.y < hinge.start.y - 0.1 * facts.s()).count();
            all.len() == 4 && higher == 2
        }
    };
    let list: Vec<Hinge> = hinges(site).into_iter().filter(arm).collect();
    let hinge = site.draw(&list)?;
    let upper = site.random.sign() > 0.0;
    let (from, to, table) =
        if upper { (hinge.start, hinge.at, UPPER_ARM) } else { (hinge.at, hinge.stop, FOREARM) };
    let now = from.distance(to);
    // A place that is near the table as it is.
    if (now / stature / table.share - 1.0).abs() > 0.3 {
        return None;
    }
    let factor = if site.amount < 0.6 { 1.0 + site.amount * site.random.sign() } else { 1.0 + site.amount };
    let by = (to - from).try_normalize()? * (factor * table.share * stature - now);
    let first = if upper { hinge.mid } else { hinge.end? };
    let moved: Vec<JointId> = (0..rig.joints.len())
        .map(JointId::new)
        .filter(|joint| *joint == first || tree.ancestors(*joint).any(|up| up == first))
        .collect();
    let ends = |joint: &JointId| [facts.origin(*joint), facts.tips()[joint.index()].point];
    let within = |point: DVec3| (size.low.y..=size.high.y).contains(&(point + by).y);
    if !moved.iter().all(|joint| site.unique(*joint) && ends(joint).into_iter().all(within)) {
        return None;
    }
    let faults: Vec<Mutation> = moved
        .iter()
        .map(|joint| Mutation::Move { joint: site.name(*joint).to_owned(), by: site.own_move(by) })
        .collect();
    let mut document = site.mutate_all(&faults)?;
    if let Document::Plan(plan) = &mut document {
        let above = if upper { hinge.upper } else { hinge.mid };
        for joint in moved.iter().chain([&above]) {
            if let Some(tip) = rig.joints[joint.index()].tip {
                plan["joints"][joint.index()]["tip"] = vector_json(rig.frame.point_to_plan(tip + by));
            }
        }
    }
    let joint = if upper { hinge.upper } else { hinge.mid };
    Some(Planted {
        document,
        subjects: vec![site.pointer(joint)],
        what: format!("{} is {factor:.3} times as long as the table says", site.name(joint)),
    })
}
