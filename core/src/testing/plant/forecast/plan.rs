//! Faults of the plan: joints that are too many, too few or in the wrong place.

use std::collections::BTreeSet;

use glam::DVec3;
use serde_json::{Value, json};

use crate::body::NOWHERE;
use crate::body::geodesic::{Walk, walk};
use crate::body::reach::to_segment;
use crate::export::Scene;
use crate::facts::Facts;
use crate::model::JointId;
use crate::testing::plant::{Document, Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "forecast/carried-joint",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: carried_joint,
    },
    Planter { check: "forecast/idle", band: None, plan: true, gltf: false, far: None, plant: idle },
    Planter { check: "forecast/leak", band: None, plan: true, gltf: false, far: None, plant: leak },
    Planter {
        check: "forecast/over-reach",
        band: None,
        plan: true,
        gltf: false,
        far: None,
        plant: over_reach,
    },
];

/// The plan, its body's scene, and the body's facts.
pub(super) fn dressed<'a>(site: &Site<'a>) -> Option<(Value, Scene, &'a Facts<'a>)> {
    let Document::Dressed(plan, body) = &site.ground.document else { return None };
    Some((plan.clone(), body.clone(), site.facts.body()?))
}

/// By joint of the plan the points of the body that follow it most, as the body is bound.
pub(super) fn skin_of(site: &Site<'_>, body: &Facts<'_>) -> Vec<Vec<u32>> {
    let rig = site.facts.rig();
    let named = |joint: JointId| {
        let name = &body.rig().joints[joint.index()].name;
        rig.joints.iter().position(|one| one.name == *name)
    };
    let plan: Vec<Option<usize>> = (0..body.rig().joints.len()).map(|at| named(JointId::new(at))).collect();
    let mut skin = vec![Vec::new(); rig.joints.len()];
    for (point, joint) in body.skinning().dominant.iter().enumerate() {
        if *joint != NOWHERE
            && let Some(joint) = plan[*joint as usize]
        {
            skin[joint].push(point as u32);
        }
    }
    skin
}

/// Area of some points: a third of the triangles around each, square metres; and that of all.
pub(super) fn areas(body: &Facts<'_>) -> (Vec<f64>, f64) {
    let surface = body.surface();
    let mut areas = vec![0.0; surface.points.len()];
    for triangle in 0..surface.triangles.len() as u32 {
        let corners = surface.corner_points(triangle);
        let [a, b, c] = corners.map(|at| surface.points[at as usize]);
        let third = (b - a).cross(c - a).length() / 6.0;
        for at in corners {
            areas[at as usize] += third;
        }
    }
    let skinned = |point: &usize| body.skinning().dominant[*point] != NOWHERE;
    let all = (0..areas.len()).filter(skinned).map(|point| areas[point]).sum();
    (areas, all)
}

fn tip(site: &Site<'_>, joint: JointId) -> Option<DVec3> {
    site.facts.rig().joints[joint.index()].tip
}

fn plan_point(site: &Site<'_>, place: DVec3) -> Value {
    json!(site.facts.rig().frame.point_to_plan(place).to_array())
}

/// Joints of the plan that deform and have a tip.
fn limbs(site: &Site<'_>) -> Vec<JointId> {
    let deforms = |joint: &JointId| site.facts.deforms(*joint) && tip(site, *joint).is_some();
    site.joints().into_iter().filter(deforms).collect()
}

/// A joint for a piece is put into a limb and left deforming.
fn carried_joint(site: &mut Site<'_>) -> Option<Planted> {
    let (mut plan, scene, body) = dressed(site)?;
    let skin = skin_of(site, body);
    let (areas, all) = areas(body);
    let share = |joint: &JointId| skin[joint.index()].iter().map(|at| areas[*at as usize]).sum::<f64>() / all;
    // A limb with enough skin to lose.
    let rich: Vec<JointId> = limbs(site).into_iter().filter(|joint| share(joint) > 0.05).collect();
    let limb = site.draw(&rich)?;
    let (from, to) = (site.facts.origin(limb), tip(site, limb)?);
    // Half way between the limb's middle line and its skin.
    let along = (to - from).normalize_or_zero();
    let out = |at: u32| {
        let arm = body.surface().points[at as usize] - from;
        (arm.dot(along) / from.distance(to), arm - along * arm.dot(along))
    };
    let mut wide: Vec<f64> = skin[limb.index()].iter().map(|at| out(*at).1.length()).collect();
    wide.sort_by(f64::total_cmp);
    let radius = *wide.get(wide.len() / 2)?;
    let beside = |at: &u32| (0.2..0.8).contains(&out(*at).0) && out(*at).1.length() >= radius;
    let places: Vec<u32> = skin[limb.index()].iter().copied().filter(beside).collect();
    let out = out(site.draw(&places)?).1;
    let low = from.lerp(to, 0.2) + out * 0.5;
    let high = from.lerp(to, 0.8) + out * 0.5;
    let solid = body.solid()?;
    if !solid.holds(low) || !solid.holds(high) {
        return None;
    }
    let joints = plan["joints"].as_array_mut()?;
    let index = joints.len();
    let mut joint = json!({"name": "net_hook", "parent": site.name(limb)});
    if let Some(turn) = joints[limb.index()].get("orientation") {
        joint["orientation"] = turn.clone();
    }
    joint["origin"] = plan_point(site, low);
    joint["tip"] = plan_point(site, high);
    joints.push(joint);
    let pivot = plan_point(site, low);
    let piece = json!({"name": "net", "carried_by": "net_hook", "pivot": pivot});
    plan.as_object_mut()?.entry("pieces").or_insert_with(|| json!([])).as_array_mut()?.push(piece);
    Some(Planted {
        document: Document::Dressed(plan, scene),
        subjects: vec![format!("/joints/{index}")],
        what: format!("a joint that carries a net deforms the skin of {}", site.name(limb)),
    })
}

/// A joint at the end of a limb stands outside the body.
fn idle(site: &mut Site<'_>) -> Option<Planted> {
    let (mut plan, scene, body) = dressed(site)?;
    let tree = site.facts.tree();
    let ends: Vec<JointId> =
        limbs(site).into_iter().filter(|joint| tree.children[joint.index()].is_empty()).collect();
    let joint = site.draw(&ends)?;
    let by = site.random.direction() * (0.2 + 0.5 * site.random.unit()) * site.facts.s();
    let (from, to) = (site.facts.origin(joint) + by, tip(site, joint)? + by);
    let solid = body.solid()?;
    let outside = (0..=20).all(|at| {
        let place = from.lerp(to, f64::from(at) / 20.0);
        !solid.holds(place) && solid.nearest(place, 0.02 * site.facts.s()).is_none()
    });
    if !outside {
        return None;
    }
    plan["joints"][joint.index()]["origin"] = plan_point(site, from);
    plan["joints"][joint.index()]["tip"] = plan_point(site, to);
    Some(Planted {
        document: Document::Dressed(plan, scene),
        subjects: vec![site.pointer(joint)],
        what: format!("{} stands {:.3} m off, outside the body", site.name(joint), by.length()),
    })
}

/// A joint at the end of a limb reaches across a gap, into another limb.
fn leak(site: &mut Site<'_>) -> Option<Planted> {
    let (mut plan, scene, body) = dressed(site)?;
    let (facts, surface) = (site.facts, body.surface());
    let s = facts.s();
    let skin = skin_of(site, body);
    let tree = facts.tree();
    let limbs = limbs(site);
    let ends: Vec<JointId> =
        limbs.iter().copied().filter(|joint| tree.children[joint.index()].is_empty()).collect();
    let solid = body.solid()?;
    let found = (0..60).find_map(|_| {
        let (joint, other) = (site.random.pick(&ends)?, site.random.pick(&limbs)?);
        let (from, end) = (facts.origin(joint), tip(site, joint)?);
        let (low, high) = (facts.origin(other), tip(site, other)?);
        let middle = low.lerp(high, 0.15 + 0.7 * site.random.unit());
        if joint == other || middle.distance(end) > 0.35 * s || !solid.holds(middle) {
            return None;
        }
        // Beyond the middle of the other limb, and not out of it again.
        let to = middle + (middle - end).normalize_or_zero() * (0.004 * s);
        let places = (1..40).map(|at| solid.holds(end.lerp(to, f64::from(at) / 40.0)));
        let inside: Vec<bool> = places.collect();
        let gap = inside.iter().filter(|held| !**held).count();
        if gap < 6 || !*inside.last()? || !solid.holds(to) || end.distance(to) < 0.04 * s {
            return None;
        }
        // The skin where it comes in: far from the joint's own, along the body.
        let enters = inside.iter().rposition(|held| !held)?;
        let entrance = end.lerp(to, (enters + 1) as f64 / 40.0);
        let mine: BTreeSet<u32> = skin[joint.index()].iter().copied().collect();
        let near = |point: &u32| surface.points[*point as usize].distance(entrance);
        let start = skin[other.index()].iter().copied().min_by(|a, b| near(a).total_cmp(&near(b)))?;
        let place = surface.points[start as usize];
        let straight =
            mine.iter().map(|at| surface.points[*at as usize].distance(place)).min_by(f64::total_cmp)?;
        let far = walk(surface, &[start], (4.5 * straight).max(0.12 * s), &mut { usize::MAX }, |point| {
            mine.contains(&point)
        });
        let apart = to_segment(from, low, high) > 0.03 * s;
        (far == Walk::Beyond && apart && mine.len() > 12).then_some((joint, other, to))
    });
    let (joint, other, to) = found?;
    plan["joints"][joint.index()]["tip"] = plan_point(site, to);
    Some(Planted {
        document: Document::Dressed(plan, scene),
        subjects: vec![site.pointer(joint)],
        what: format!("{} reaches into {}", site.name(joint), site.name(other)),
    })
}

/// A joint in the middle of a limb is no joint that deforms: the one after it has to pull the skin.
fn over_reach(site: &mut Site<'_>) -> Option<Planted> {
    let (mut plan, scene, body) = dressed(site)?;
    let facts = site.facts;
    let skin = skin_of(site, body);
    let (areas, all) = areas(body);
    let children = |joint: JointId| {
        let list = facts.tree().children[joint.index()].iter().copied();
        list.filter(|child| facts.deforms(*child)).collect::<Vec<_>>()
    };
    let surface = body.surface();
    // Distance of skin from the middle line of its joint: the median.
    let radius = |joint: JointId| {
        let (from, to) = (facts.origin(joint), tip(site, joint)?);
        let list = skin[joint.index()].iter();
        let mut list: Vec<f64> = list.map(|at| to_segment(surface.points[*at as usize], from, to)).collect();
        list.sort_by(f64::total_cmp);
        list.get(list.len() / 2).copied()
    };
    let long: Vec<(JointId, JointId)> = limbs(site)
        .into_iter()
        .filter_map(|joint| {
            let [child] = children(joint)[..] else { return None };
            let (from, to) = (facts.origin(joint), facts.origin(child));
            // What lies behind the next joint by more than twice its radius, on the nearer half of the way.
            let far = 2.6 * radius(child)?;
            let area: f64 = skin[joint.index()]
                .iter()
                .filter(|at| {
                    let place = surface.points[**at as usize];
                    place.distance(to) > far && place.distance(to) < 0.8 * place.distance(from)
                })
                .map(|at| areas[*at as usize])
                .sum();
            (area > 0.012 * all && facts.tree().parent[joint.index()].is_some()).then_some((joint, child))
        })
        .collect();
    let (joint, child) = site.draw(&long)?;
    plan["joints"][joint.index()]["role"] = json!("control");
    Some(Planted {
        document: Document::Dressed(plan, scene),
        subjects: vec![site.pointer(child)],
        what: format!("{} does not deform, {} is left with its skin", site.name(joint), site.name(child)),
    })
}
