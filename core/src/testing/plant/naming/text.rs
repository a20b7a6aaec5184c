//! Faults of names as text: numbers along a chain, characters and length.

use serde_json::json;

use super::super::{Document, Planted, Planter, Site};
use crate::model::JointId;
use crate::testing::Mutation;

const fn planter(
    check: &'static str,
    band: Option<&'static str>,
    plant: fn(&mut Site<'_>) -> Option<Planted>,
) -> Planter {
    Planter { check, band, plan: true, gltf: true, far: None, plant }
}

pub(super) const PLANTERS: &[Planter] = &[
    planter("naming/sequence", None, sequence),
    planter("naming/style", Some("unnamed"), unnamed),
    planter("naming/style", Some("unprintable"), unprintable),
    Planter { far: Some(255.0), ..planter("naming/style", Some("length"), length) },
];

/// A name around its last number.
#[derive(Clone, PartialEq, Eq)]
struct Numbered {
    before: String,
    number: u32,
    digits: usize,
    after: String,
}

impl Numbered {
    fn of(name: &str) -> Option<Self> {
        let end = name.rfind(|c: char| c.is_ascii_digit())? + 1;
        let before = name[..end].trim_end_matches(|c: char| c.is_ascii_digit());
        let digits = &name[before.len()..end];
        let number = digits.parse().ok()?;
        let plain = (1..=3).contains(&digits.len()) && !before.is_empty() && !before.ends_with('.');
        plain.then(|| Self {
            before: before.to_owned(),
            number,
            digits: digits.len(),
            after: name[end..].to_owned(),
        })
    }

    fn like(&self, other: &Self) -> bool {
        self.before == other.before && self.after == other.after
    }

    fn with(&self, number: u32) -> String {
        format!("{}{number:0width$}{}", self.before, self.after, width = self.digits)
    }
}

/// Unbranched runs of three or more joints that are numbered by ones, and whose numbers nobody else uses.
fn runs(site: &Site<'_>) -> Vec<Vec<(JointId, Numbered)>> {
    let tree = site.facts.tree();
    let count = site.facts.rig().joints.len();
    let numbered: Vec<Option<Numbered>> =
        (0..count).map(|index| Numbered::of(site.name(JointId::new(index)))).collect();
    let alike = |a: usize, b: usize| match (&numbered[a], &numbered[b]) {
        (Some(a), Some(b)) => a.like(b),
        _ => false,
    };
    let mut out = Vec::new();
    for top in &tree.order {
        let up = tree.parent[top.index()];
        if numbered[top.index()].is_none() || up.is_some_and(|up| alike(up.index(), top.index())) {
            continue;
        }
        let mut run = vec![*top];
        loop {
            let at = run[run.len() - 1].index();
            let next: Vec<JointId> =
                tree.children[at].iter().copied().filter(|child| alike(child.index(), top.index())).collect();
            match next.as_slice() {
                [only] => run.push(*only),
                _ => break,
            }
        }
        let everyone = (0..count).filter(|index| alike(*index, top.index())).count();
        let run: Option<Vec<(JointId, Numbered)>> =
            run.into_iter().map(|joint| Some((joint, numbered[joint.index()].clone()?))).collect();
        let Some(run) = run else { continue };
        let by_ones = run.windows(2).all(|two| two[1].1.number == two[0].1.number + 1);
        if run.len() >= 3 && run.len() == everyone && by_ones && run.iter().all(|(j, _)| site.unique(*j)) {
            out.push(run);
        }
    }
    out
}

/// A number along a chain is skipped, or two change places.
fn sequence(site: &mut Site<'_>) -> Option<Planted> {
    if site.facts.names().exporter_numbers {
        return None;
    }
    let runs = runs(site);
    if runs.is_empty() {
        return None;
    }
    let run = &runs[site.random.below(runs.len())];
    let subjects = run.iter().map(|(joint, _)| site.pointer(*joint)).collect();
    if site.random.unit() < 0.5 {
        let (last, numbered) = run.last()?;
        let name = numbered.with(numbered.number + 1 + site.random.below(3) as u32);
        let what = format!("{} is called {name}", site.name(*last));
        let fault = Mutation::Rename { joint: site.name(*last).to_owned(), name };
        return Some(Planted { document: site.mutate(&fault)?, subjects, what });
    }
    let at = site.random.below(run.len() - 1);
    let (one, other) = (site.name(run[at].0).to_owned(), site.name(run[at + 1].0).to_owned());
    let what = format!("{one} and {other} exchange names");
    Some(Planted { document: site.mutate(&Mutation::SwapNames { one, other })?, subjects, what })
}

/// A name is left empty.
fn unnamed(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    // What nothing else in a plan names.
    let listed = |joint: &JointId| {
        site.plan()
            && (!site.facts.tree().children[joint.index()].is_empty()
                || rig.parts.iter().any(|part| part.joints.contains(&Ok(*joint)))
                || rig.groups.iter().any(|group| group.joints.contains(&Ok(*joint)))
                || rig.pieces.iter().any(|piece| piece.carried_by == Ok(*joint)))
    };
    let free: Vec<JointId> = site.joints().into_iter().filter(|joint| !listed(joint)).collect();
    let blank = site.random.unit() < 0.3;
    if let Some(mut plan) = site.spoilt_plan() {
        // In most plans every joint is listed somewhere: one more control, then, without a name.
        let joint = site.draw(&free);
        let joints = plan["joints"].as_array_mut()?;
        let at = joint.map_or(joints.len(), JointId::index);
        if joint.is_none() {
            let mut copy = joints.last()?.clone();
            copy["role"] = json!("control");
            joints.push(copy);
        }
        joints[at]["name"] = json!(if blank { " " } else { "" });
        let what = format!("joint {at} has no name");
        return Some(Planted {
            document: Document::Plan(plan),
            subjects: vec![format!("/joints/{at}")],
            what,
        });
    }
    let joint = site.draw(&free)?;
    let Document::Scene(mut scene) = site.ground.document.clone() else { return None };
    let node = rig.joints[joint.index()].node?;
    scene.nodes[node.index()].name = blank.then(|| "  ".to_owned());
    let what = format!("{} loses its name", site.name(joint));
    Some(Planted { document: Document::Scene(scene), subjects: vec![site.pointer(joint)], what })
}

/// Characters that nobody sees, and spaces around a name.
const UNSEEN: [&str; 6] = ["\u{200b}", "\t", "\u{ad}", "\u{feff}", "\u{202e}", "\u{7}"];

fn unprintable(site: &mut Site<'_>) -> Option<Planted> {
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    let old = site.name(joint).to_owned();
    let name = match site.random.below(4) {
        0 => format!("{old} "),
        1 => format!(" {old}"),
        _ => {
            let letters: Vec<char> = old.chars().collect();
            let at = site.random.below(letters.len() + 1);
            let unseen = site.draw(&UNSEEN)?;
            letters[..at].iter().chain(&unseen.chars().collect::<Vec<_>>()).chain(&letters[at..]).collect()
        }
    };
    let what = format!("{old} is called {name:?}");
    let document = site.mutate(&Mutation::Rename { joint: old, name })?;
    Some(Planted { document, subjects: vec![site.pointer(joint)], what })
}

fn length(site: &mut Site<'_>) -> Option<Planted> {
    let joints = site.joints();
    let joint = site.draw(&joints)?;
    let old = site.name(joint).to_owned();
    let wanted = site.amount.ceil() as usize;
    let filling = wanted.checked_sub(old.chars().count())?;
    let name = format!("{old}{}", "a".repeat(filling));
    let what = format!("the name of {old} has {wanted} characters");
    let document = site.mutate(&Mutation::Rename { joint: old, name })?;
    // One that is too long among others that are: the rig is told, with its members.
    Some(Planted { document, subjects: vec![site.pointer(joint)], what })
}
