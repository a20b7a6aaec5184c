//! Repairs of what a file says about itself: the waivers in its `extras`, and the humanoid map of a VRM.

use serde_json::{Value, json};

use super::arguments::Arguments;
use super::{Done, Session, Stop};
use crate::standards::{VRM_OLDER_THUMBS, vrm};

/// Puts a list of waivers in the place of the one that is there.
pub(super) fn set_waivers(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let (pointer, waivers) = (arguments.text("pointer")?, arguments.array("waivers")?);
    if !pointer.ends_with("/extras/condyle/waivers") || session.document.length(pointer).is_none() {
        return Err(format!("there is no list of waivers at {pointer}").into());
    }
    let list = json!(waivers);
    session.claim(pointer.to_owned(), Some(list.clone()))?;
    if session.document.value(pointer).as_ref() == Some(&list) {
        return Ok(false);
    }
    session.document.set(pointer, &list).map_err(Stop::Refused)?;
    Ok(true)
}

/// Maps bones of the humanoid to nodes, in the map of the version that the file has.
pub(super) fn map_humanoid(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mut bones = Vec::new();
    for (bone, node) in arguments.members("bones")? {
        if !vrm().contains_key(bone) {
            return Err(format!("VRM knows no bone {bone}").into());
        }
        let index = node.as_u64().and_then(|index| usize::try_from(index).ok());
        let node = session.node(index.ok_or_else(|| Stop::Refused(format!("{bone} is given no node")))?)?.0;
        session.claim(format!("/humanoid/{bone}"), Some(json!(node)))?;
        bones.push((bone, node));
    }
    let map = "/extensions/VRMC_vrm/humanoid/humanBones";
    let mut changed = false;
    if session.document.has(map) {
        for (bone, node) in bones {
            let here = format!("{map}/{bone}");
            let there = session.document.value(&here);
            if there.as_ref().and_then(|entry| entry.get("node")) == Some(&json!(node)) {
                continue;
            }
            let set = if there.as_ref().is_some_and(Value::is_object) {
                session.document.set(&format!("{here}/node"), &json!(node))
            } else {
                session.document.set(&here, &json!({"node": node}))
            };
            set.map_err(Stop::Refused)?;
            changed = true;
        }
        return Ok(changed);
    }
    let list = "/extensions/VRM/humanoid/humanBones";
    let Some(there) = session.document.value(list) else {
        // Author, licence and version of an avatar are not ours to say.
        return Err("the file has no VRM extension that could hold the map".into());
    };
    let there = there.as_array().map_or(&[][..], Vec::as_slice);
    for (bone, node) in bones {
        let older =
            VRM_OLDER_THUMBS.iter().find(|(_, newer)| *newer == bone).map_or(bone, |(older, _)| *older);
        let at = there.iter().position(|entry| entry.get("bone").and_then(Value::as_str) == Some(older));
        match at {
            Some(at) if there[at].get("node") == Some(&json!(node)) => continue,
            Some(at) => {
                session.document.set(&format!("{list}/{at}/node"), &json!(node)).map_err(Stop::Refused)?;
            }
            None => {
                let entry = json!({"bone": older, "node": node, "useDefaultValues": true});
                session.document.push(list, &entry).map_err(Stop::Refused)?;
            }
        }
        changed = true;
    }
    Ok(changed)
}
