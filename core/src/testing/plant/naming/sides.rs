//! Faults of sides in names.

use std::collections::BTreeSet;

use serde_json::Value;

use super::super::{Document, Planted, Planter, Site};
use crate::facts::side_token;
use crate::model::{JointId, NodeId, Side};
use crate::testing::Mutation;

const fn planter(check: &'static str, plant: fn(&mut Site<'_>) -> Option<Planted>) -> Planter {
    Planter { check, band: None, plan: true, gltf: true, far: None, plant }
}

pub(super) const PLANTERS: &[Planter] = &[
    planter("naming/side-missing", side_missing),
    planter("naming/side-on-centre", side_on_centre),
    planter("naming/twin-disagrees", twin_disagrees),
    planter("naming/twin-missing", twin_missing),
];

/// Twins apart from the plane: all of them, and those that are named for two sides.
struct Pairs {
    all: Vec<(JointId, JointId)>,
    sided: Vec<(JointId, JointId)>,
}

fn pairs(site: &Site<'_>) -> Option<Pairs> {
    let (facts, names) = (site.facts, site.facts.names());
    let plane = facts.mirror()?;
    let apart = |joint: JointId| plane.distance(facts.origin(joint)).abs() > 0.01 * facts.s();
    let all: Vec<(JointId, JointId)> =
        facts.twins().pairs.iter().copied().filter(|(left, _)| apart(*left)).collect();
    let opposite = |(left, right): &(JointId, JointId)| {
        names.sided(*left) == Some(Side::Left) && names.sided(*right) == Some(Side::Right)
    };
    let sided: Vec<(JointId, JointId)> = all.iter().copied().filter(opposite).collect();
    Some(Pairs { all, sided })
}

impl Pairs {
    /// Most pairs are sided, and still are when one or two are spoilt.
    fn conventional(&self) -> bool {
        self.sided.len() >= 4 && (self.sided.len() - 2) * 10 >= self.all.len() * 6
    }
}

/// Whether a name says no side.
fn sideless(name: &str) -> bool {
    side_token(name).is_none_or(|token| token.side == Side::Centre)
}

/// Of two twins, one loses its side, or both do.
fn side_missing(site: &mut Site<'_>) -> Option<Planted> {
    let pairs = pairs(site)?;
    if !pairs.conventional() || site.facts.names().exporter_numbers {
        return None;
    }
    let (left, right) = site.draw(&pairs.sided)?;
    if !(site.unique(left) && site.unique(right)) {
        return None;
    }
    let names = site.facts.names();
    let stem = |joint: JointId| {
        let stem = names.sides[joint.index()].as_ref()?.stem(&names.plain[joint.index()]);
        (!stem.is_empty() && sideless(&stem)).then_some(stem)
    };
    let (a, b) = (stem(left)?, stem(right)?);
    let which = site.random.below(3);
    let mut faults = Vec::new();
    let mut what = Vec::new();
    for (joint, name) in [(left, a), (right, b)] {
        let first = joint == left;
        if (which == 0 && first) || (which == 1 && !first) {
            continue;
        }
        // Both at once need two names.
        let name = match (which, first) {
            (2, true) => format!("{name}_1"),
            (2, false) => format!("{name}_2"),
            _ => name,
        };
        if site.free_name(&name) != name || !sideless(&name) {
            return None;
        }
        what.push(format!("{} is called {name}", site.name(joint)));
        faults.push(Mutation::Rename { joint: site.name(joint).to_owned(), name });
    }
    Some(Planted {
        document: site.mutate_all(&faults)?,
        subjects: vec![site.pointer(left), site.pointer(right)],
        what: what.join(", "),
    })
}

/// A joint on the plane gets a side.
fn side_on_centre(site: &mut Site<'_>) -> Option<Planted> {
    let pairs = pairs(site)?;
    if !pairs.conventional() || site.facts.names().exporter_numbers {
        return None;
    }
    let (facts, rig, names, tree) = (site.facts, site.facts.rig(), site.facts.names(), site.facts.tree());
    let plane = facts.mirror()?;
    let on = |point: glam::DVec3| plane.distance(point).abs() < 0.1 * site.limit * facts.s();
    let middle: Vec<JointId> = site
        .joints()
        .into_iter()
        .filter(|joint| {
            let index = joint.index();
            let tip = &facts.tips()[index];
            on(facts.origin(*joint))
                && (!tip.known() || on(tip.point))
                && tree.children[index].iter().all(|child| on(facts.origin(*child)))
                && facts.twins().twin(*joint).is_none()
                && names.sided(*joint).is_none()
                && tree.parent[index].is_none_or(|up| names.sided(up).is_none())
                && !rig.joints[index].part.is_some_and(|part| rig.parts[part.index()].asymmetric)
        })
        .collect();
    let joint = site.draw(&middle)?;
    // In the style of another name of the rig.
    let (left, right) = site.draw(&pairs.sided)?;
    let model = if site.random.sign() > 0.0 { left } else { right };
    let token = names.sides[model.index()].as_ref()?;
    let other = &names.plain[model.index()];
    let text = other.get(token.range.clone())?;
    let old = site.name(joint).to_owned();
    let separator: String = if token.range.start == 0 {
        other[token.range.end..].chars().take(1).filter(|c| !c.is_alphanumeric()).collect()
    } else {
        other[..token.range.start].chars().last().filter(|c| !c.is_alphanumeric()).into_iter().collect()
    };
    let name = if token.range.start == 0 {
        format!("{text}{separator}{old}")
    } else {
        format!("{old}{separator}{text}")
    };
    let sided = side_token(&name).is_some_and(|new| new.side == token.side);
    let mate = side_token(&name).and_then(|token| token.swapped(&name))?;
    if !sided || site.free_name(&name) != name || site.free_name(&mate) != mate {
        return None;
    }
    let what = format!("{old} is called {name}");
    let document = site.mutate(&Mutation::Rename { joint: old, name })?;
    Some(Planted { document, subjects: vec![site.pointer(joint)], what })
}

/// Two joints of one side exchange names: each is named as the twin of another place.
fn twin_disagrees(site: &mut Site<'_>) -> Option<Planted> {
    let pairs = pairs(site)?;
    if !pairs.conventional() {
        return None;
    }
    let (facts, names) = (site.facts, site.facts.names());
    let mated = |(left, right): &&(JointId, JointId)| {
        let mate = names.mate(*left).map(|name| name.to_lowercase());
        mate == Some(names.plain[right.index()].to_lowercase()) && site.unique(*left) && site.unique(*right)
    };
    let list: Vec<(JointId, JointId)> = pairs.sided.iter().filter(mated).copied().collect();
    let (first, second) = (site.draw(&list)?, site.draw(&list)?);
    let side = site.random.sign() > 0.0;
    let (one, other) = if side { (first.1, second.1) } else { (first.0, second.0) };
    if facts.origin(one).distance(facts.origin(other)) < 0.03 * facts.s() {
        return None;
    }
    let fault = Mutation::SwapNames { one: site.name(one).to_owned(), other: site.name(other).to_owned() };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: [first.0, first.1, second.0, second.1].iter().map(|joint| site.pointer(*joint)).collect(),
        what: format!("{} and {} exchange names", site.name(one), site.name(other)),
    })
}

/// A limb of one side is taken away; what is left of the pair has no twin.
fn twin_missing(site: &mut Site<'_>) -> Option<Planted> {
    let pairs = pairs(site)?;
    let (facts, rig, tree) = (site.facts, site.facts.rig(), site.facts.tree());
    let asymmetric = |joint: JointId| {
        rig.joints[joint.index()].part.is_some_and(|part| rig.parts[part.index()].asymmetric)
    };
    let most = (pairs.sided.len() / 4).min(6);
    let fits = |(left, right): &&(JointId, JointId)| {
        let size = tree.subtree[left.index()] as usize;
        size <= most
            && tree.subtree[right.index()] as usize == size
            && facts.deforms(*left)
            && facts.deforms(*right)
            && !asymmetric(*left)
            && site.unique(*left)
            && site.unique(*right)
            && facts.names().mate(*left).map(|name| name.to_lowercase())
                == Some(facts.names().plain[right.index()].to_lowercase())
    };
    // Where much less of the rig mirrors, symmetry itself is in doubt, and the check says that it did not run.
    let joints = rig.joints.len() as f64;
    let mirrored = facts.mirror()?.score * joints;
    let proven = |(left, _): &&(JointId, JointId)| {
        let size = f64::from(tree.subtree[left.index()]);
        (mirrored - 2.0 * size) / (joints - size) > 0.85
    };
    let list: Vec<(JointId, JointId)> = pairs.sided.iter().filter(fits).filter(proven).copied().collect();
    if !pairs.conventional() {
        return None;
    }
    let (left, right) = site.draw(&list)?;
    let (kept, gone) = if site.random.sign() > 0.0 { (left, right) } else { (right, left) };
    let cut: BTreeSet<JointId> = (0..rig.joints.len())
        .map(JointId::new)
        .filter(|joint| *joint == gone || tree.ancestors(*joint).any(|up| up == gone))
        .collect();
    let names: Vec<&str> = cut.iter().map(|joint| site.name(*joint)).collect();
    let what = format!("{} is left out, with {} joints below it", site.name(gone), cut.len() - 1);
    let (document, subjects) = if let Some(mut plan) = site.spoilt_plan() {
        let before = cut.iter().filter(|joint| **joint < kept).count();
        strike(&mut plan, &names);
        (Document::Plan(plan), vec![format!("/joints/{}", kept.index() - before)])
    } else {
        let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
        let nodes: Vec<usize> =
            cut.iter().filter_map(|joint| rig.joints[joint.index()].node.map(NodeId::index)).collect();
        unbind(&mut scene, &nodes)?;
        (Document::Scene(scene), vec![site.pointer(kept)])
    };
    Some(Planted { document, subjects, what })
}

/// Takes joints out of a plan, with all that names them.
fn strike(plan: &mut Value, names: &[&str]) {
    let gone = |value: &Value| value.as_str().is_some_and(|name| names.contains(&name));
    let mut lost = Vec::new();
    let keep = |plan: &mut Value, table: &str, fits: &mut dyn FnMut(&mut Value) -> bool| {
        if let Some(list) = plan[table].as_array_mut() {
            list.retain_mut(|one| fits(one));
        }
    };
    keep(plan, "joints", &mut |joint| !gone(&joint["name"]));
    keep(plan, "pieces", &mut |piece| !gone(&piece["carried_by"]));
    let mut thinned = |holder: &mut Value| {
        let Some(list) = holder["joints"].as_array_mut() else { return true };
        list.retain(|joint| !gone(joint));
        if list.is_empty() {
            lost.push(holder["name"].as_str().unwrap_or_default().to_owned());
            return false;
        }
        true
    };
    keep(plan, "parts", &mut thinned);
    keep(plan, "groups", &mut thinned);
    keep(plan, "feet", &mut |foot| {
        !foot["part"].as_str().is_some_and(|part| lost.iter().any(|one| one == part))
    });
}

/// Takes nodes out of every skin; their weights go to what they hang from.
fn unbind(scene: &mut crate::export::Scene, gone: &[usize]) -> Option<()> {
    for index in 0..scene.skins.len() {
        let joints = scene.skins[index].joints.clone();
        let slot_of = |node: usize| joints.iter().position(|joint| *joint == node);
        let kept: Vec<usize> = (0..joints.len()).filter(|slot| !gone.contains(&joints[*slot])).collect();
        // Old slot to new slot: its own, or that of the nearest joint above that stays.
        let mut new: Vec<u16> = Vec::with_capacity(joints.len());
        for node in &joints {
            let mut at = Some(*node);
            let mut heir = None;
            while let Some(up) = at {
                if !gone.contains(&up)
                    && let Some(slot) = slot_of(up)
                {
                    heir = kept.iter().position(|old| *old == slot);
                    break;
                }
                at = scene.nodes[up].parent;
            }
            new.push(heir? as u16);
        }
        let users: BTreeSet<usize> =
            scene.nodes.iter().filter(|node| node.skin == Some(index)).filter_map(|node| node.mesh).collect();
        for mesh in users {
            for row in &mut scene.meshes[mesh].influences {
                let mut out: Vec<(u16, f32)> = Vec::with_capacity(row.len());
                for (slot, weight) in row.iter() {
                    let to = *new.get(usize::from(*slot))?;
                    match out.iter_mut().find(|(there, _)| *there == to) {
                        Some((_, sum)) => *sum += weight,
                        None => out.push((to, *weight)),
                    }
                }
                *row = out;
            }
        }
        let skin = &mut scene.skins[index];
        skin.joints = kept.iter().map(|slot| joints[*slot]).collect();
        if let Some(list) = &mut skin.inverse_bind {
            *list = kept.iter().filter_map(|slot| list.get(*slot).copied()).collect();
        }
    }
    Some(())
}
