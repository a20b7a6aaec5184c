//! The same rig with its joints listed in another order.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use condyle_core::export::Scene;
use serde_json::Value;

/// The joint lines of a text, each with its parent said; nothing where a fault counts vertices or a name is not unique.
pub(crate) fn joint_lines(text: &str) -> Option<Vec<String>> {
    // The lines of two skeletons do not mix.
    if text.contains("\nreference\n") {
        return None;
    }
    let counted = ["unweight", "nan-weights", "scale-weights", "joint-index"];
    let by_number = text
        .lines()
        .filter_map(|line| line.strip_prefix("mutate "))
        .any(|fault| counted.contains(&fault.split_whitespace().next().unwrap_or_default()));
    let renames: Vec<(&str, &str)> = text
        .lines()
        .filter_map(|line| line.strip_prefix("mutate rename ")?.split('#').next()?.trim().split_once(' '))
        .collect();
    let mut names = BTreeSet::new();
    let mut lines = Vec::new();
    let mut last: Option<&str> = None;
    for line in text.lines().filter(|line| line.starts_with("joint ")) {
        let name = line.split_whitespace().nth(1)?;
        let renamed = renames.iter().find(|(old, _)| *old == name).map_or(name, |(_, new)| new);
        if !names.insert(renamed) {
            return None;
        }
        let content = line.split('#').next().unwrap_or_default().trim_end();
        let said = content.split_whitespace().any(|word| word == "parent");
        let parent = last.unwrap_or("none");
        lines.push(if said { content.to_owned() } else { format!("{content} parent {parent}") });
        last = Some(name);
    }
    (!by_number && lines.len() > 1).then_some(lines)
}

/// The text with its joint lines in another order.
pub(crate) fn reordered(text: &str, lines: &[String], order: &[String]) -> String {
    let mut order = order.iter().take(lines.len());
    let mut out = String::new();
    for line in text.lines() {
        let line = if line.starts_with("joint ") { order.next().map_or(line, String::as_str) } else { line };
        let content =
            if line.starts_with("joint ") { line } else { line.split('#').next().unwrap_or_default() };
        writeln!(out, "{content}").unwrap();
    }
    out
}

/// A plan with its joints in another order: `order[new]` is the old number.
pub(crate) fn plan_in_order(plan: &Value, order: &[usize]) -> Value {
    let mut out = plan.clone();
    out["joints"] = order.iter().map(|old| plan["joints"][*old].clone()).collect();
    out
}

/// A scene with its nodes, and each skin's joints, in another order.
pub(crate) fn scene_in_order(scene: &Scene, order: &[usize]) -> Scene {
    let mut new = vec![0; order.len()];
    for (at, old) in order.iter().enumerate() {
        new[*old] = at;
    }
    let mut out = scene.clone();
    out.nodes = order.iter().map(|old| scene.nodes[*old].clone()).collect();
    for node in &mut out.nodes {
        node.parent = node.parent.map(|up| new[up]);
    }
    for channel in out.clips.iter_mut().flat_map(|clip| &mut clip.channels) {
        channel.node = new[channel.node];
    }
    // A mesh is drawn with one skin here, so that its indices follow that skin's slots.
    for (number, skin) in out.skins.iter_mut().enumerate() {
        let mut slots: Vec<usize> = (0..skin.joints.len()).collect();
        slots.sort_by_key(|slot| new[skin.joints[*slot]]);
        let mut moved = vec![0; slots.len()];
        for (at, slot) in slots.iter().enumerate() {
            moved[*slot] = at as u16;
        }
        let joints = slots.iter().map(|slot| new[skin.joints[*slot]]).collect();
        skin.joints = joints;
        skin.inverse_bind =
            skin.inverse_bind.as_ref().map(|list| slots.iter().map(|slot| list[*slot]).collect());
        let meshes: BTreeSet<usize> =
            scene.nodes.iter().filter(|n| n.skin == Some(number)).filter_map(|n| n.mesh).collect();
        for mesh in meshes {
            for (joint, _) in out.meshes[mesh].influences.iter_mut().flatten() {
                // An index that points past the skin is a planted fault and stays one.
                *joint = moved.get(usize::from(*joint)).copied().unwrap_or(*joint);
            }
        }
    }
    out
}
