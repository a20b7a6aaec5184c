//! Repairs of which joint moves what: cutting influences, handing them over, taking joints out of a skin.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use super::arguments::Arguments;
use super::{Done, Session, Stop, no};

/// Takes a joint's weight away from listed vertices and scales the rest to one. A vertex that has nothing else keeps it.
pub(super) fn cut(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut changed = false;
    let mut slots = Vec::new();
    for one in arguments.list("cuts")? {
        let (mesh, primitive) = (one.index("mesh")?, one.index("primitive")?);
        let (_, skin) = session.skin_of(mesh)?;
        let slot = session.slot_of(skin, one.index("node")?)?;
        let rows = session.rows(mesh, primitive)?;
        for vertex in one.vertices("vertices", rows.count)? {
            rows.read(vertex, &mut slots);
            let mut found = false;
            for at in slots.iter_mut().filter(|at| at.0 == slot && at.1 != 0.0) {
                *at = (0, 0.0);
                found = true;
            }
            changed |= found && rows.put_whole(vertex, &slots);
        }
    }
    Ok(changed)
}

/// Gives all weights of one joint to another, in every mesh.
pub(super) fn hand_over(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let (from, to) = (arguments.index("from")?, arguments.index("to")?);
    let from_joint = session.rig.nodes[session.node(from)?.index()].joint;
    session.node(to)?;
    let mut work = Vec::new();
    for (index, mesh) in session.rig.meshes.iter().enumerate() {
        let Ok((_, skin)) = session.skin_of(index) else { continue };
        if !skin.joints.iter().any(|joint| Some(*joint) == from_joint) {
            continue;
        }
        let (from, to) = (session.slot_of(skin, from)?, session.slot_of(skin, to)?);
        let bare = |p: &usize| mesh.primitives[*p].influences.is_empty();
        work.extend((0..mesh.primitives.len()).filter(|p| !bare(p)).map(|p| (index, p, from, to)));
    }
    // All are looked at before one is changed.
    for (mesh, primitive, ..) in &work {
        session.rows(*mesh, *primitive)?;
    }
    let mut changed = false;
    let mut slots = Vec::new();
    for (mesh, primitive, from, to) in work {
        let rows = session.rows(mesh, primitive)?;
        for vertex in 0..rows.count {
            rows.read(vertex, &mut slots);
            let Some(at) = slots.iter().position(|at| at.0 == from && at.1 > 0.0) else { continue };
            match slots.iter().position(|at| at.0 == to && at.1 > 0.0) {
                Some(there) => {
                    slots[there].1 += slots[at].1;
                    slots[at] = (0, 0.0);
                }
                None => slots[at].0 = to,
            }
            changed |= rows.put(vertex, &slots);
        }
    }
    Ok(changed)
}

/// Takes joints out of a skin's list; what follows them moves up. Their weights, if they have any, go to their heirs where
/// those are told, else to the others.
pub(super) fn remove(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let skin = arguments.index("skin")?;
    let it = session.rig.skins.get(skin).ok_or_else(|| no("skin", skin))?;
    let gone: BTreeSet<u16> =
        arguments.indices("nodes")?.into_iter().filter_map(|node| session.slot_of(it, node).ok()).collect();
    if gone.is_empty() {
        return Ok(false);
    }
    if gone.len() >= it.joints.len() {
        return Err("the skin would have no joint left".into());
    }
    let mut heirs = BTreeMap::new();
    if let Some(list) = arguments.0.get("heirs").and_then(Value::as_array) {
        for (node, heir) in arguments.indices("nodes")?.into_iter().zip(list) {
            let heir = heir.as_u64().and_then(|node| session.slot_of(it, node as usize).ok());
            if let (Ok(slot), Some(heir)) = (session.slot_of(it, node), heir)
                && !gone.contains(&heir)
            {
                heirs.insert(slot, heir);
            }
        }
    }
    let meshes: BTreeSet<usize> =
        it.users.iter().filter_map(|node| session.rig.nodes[node.index()].mesh).map(|m| m.index()).collect();
    for mesh in &meshes {
        session.skin_of(*mesh)?;
        for primitive in 0..session.rig.meshes[*mesh].primitives.len() {
            if !session.rig.meshes[*mesh].primitives[primitive].influences.is_empty() {
                session.rows(*mesh, primitive)?;
            }
        }
    }
    let binds = if it.inverse_bind.is_some() || it.bind_unread { Some(session.binds(skin)?) } else { None };
    session.claim(format!("/skins/{skin}/joints"), None)?;
    let before = it.joints.len();
    let mut renumbered = vec![None; before];
    let mut next = 0_u16;
    for (slot, place) in renumbered.iter_mut().enumerate() {
        if !gone.contains(&(slot as u16)) {
            *place = Some(next);
            next += 1;
        }
    }
    let mut slots = Vec::new();
    for mesh in meshes {
        for primitive in 0..session.rig.meshes[mesh].primitives.len() {
            let Ok(rows) = session.rows(mesh, primitive) else { continue };
            for vertex in 0..rows.count {
                rows.read(vertex, &mut slots);
                for at in 0..slots.len() {
                    let Some(heir) = heirs.get(&slots[at].0).filter(|_| slots[at].1 != 0.0) else { continue };
                    match slots.iter().position(|one| one.0 == *heir && one.1 > 0.0) {
                        Some(there) => {
                            slots[there].1 += slots[at].1;
                            slots[at] = (0, 0.0);
                        }
                        None => slots[at].0 = *heir,
                    }
                }
                let mut lost = false;
                for at in slots.iter_mut().filter(|at| at.1 != 0.0) {
                    match renumbered.get(usize::from(at.0)) {
                        Some(Some(place)) => at.0 = *place,
                        Some(None) => {
                            *at = (0, 0.0);
                            lost = true;
                        }
                        // Outside the skin before and after.
                        None => at.0 = at.0.saturating_sub(gone.len() as u16).max(next),
                    }
                }
                if lost && slots.iter().any(|at| at.1 > 0.0) {
                    rows.put_whole(vertex, &slots);
                } else {
                    rows.put(vertex, &slots);
                }
            }
        }
    }
    let nodes: Vec<u32> = it
        .joints
        .iter()
        .enumerate()
        .filter(|(slot, _)| !gone.contains(&(*slot as u16)))
        .filter_map(|(_, joint)| session.rig.joints[joint.index()].node.map(|node| node.0))
        .collect();
    for slot in gone.iter().rev() {
        session.document.remove(&format!("/skins/{skin}/joints/{slot}")).map_err(Stop::Refused)?;
    }
    debug_assert_eq!(
        session
            .document
            .value(&format!("/skins/{skin}/joints"))
            .map(|list| super::super::document::same(&list, &json!(nodes))),
        Some(true)
    );
    if let Some(mut list) = binds {
        let mut slot = 0;
        list.retain(|_| {
            slot += 1;
            !gone.contains(&((slot - 1) as u16))
        });
        session.binds.insert(skin, list);
    }
    Ok(true)
}
