//! Faults of what a plan declares: parts, groups, and members that do not exist.

use serde_json::{Value, json};

use super::super::edit::Growth;
use super::super::{Document, Planted, Planter, Site};
use crate::model::{JointId, PartId, PartKind, Role, Side, nearest};
use crate::testing::Mutation;

const fn planter(
    check: &'static str,
    band: Option<&'static str>,
    plant: fn(&mut Site<'_>) -> Option<Planted>,
) -> Planter {
    Planter { check, band, plan: true, gltf: false, far: None, plant }
}

pub(super) const PLANTERS: &[Planter] = &[
    planter("structure/group", Some("no-group"), no_group),
    planter("structure/group", Some("several"), several),
    planter("structure/group", Some("empty"), empty),
    planter("structure/group", Some("twins"), crossed),
    planter("structure/part-anchor", Some("place"), anchor),
    planter("structure/part-anchor", Some("twins"), anchor_of_one_twin),
    planter("structure/part-chain", Some("order"), disorder),
    planter("structure/part-chain", Some("broken"), broken),
    planter("structure/part-missing", Some("no-part"), no_part),
    planter("structure/part-missing", Some("no-kind"), no_kind),
    planter("structure/part-size", Some("few"), few),
    planter("structure/part-size", Some("many"), many),
    planter("structure/unknown-member", Some("unknown"), unknown),
    planter("structure/unknown-member", Some("twice"), twice),
];

fn planted(plan: Value, subjects: Vec<String>, what: String) -> Planted {
    Planted { document: Document::Plan(plan), subjects, what }
}

fn list(value: &mut Value) -> Option<&mut Vec<Value>> {
    value.as_array_mut()
}

/// Parts with at least so many joints, all of which exist.
fn parts(site: &Site<'_>, least: usize) -> Vec<(PartId, Vec<JointId>)> {
    let parts = site.facts.rig().parts.iter().enumerate();
    parts
        .filter_map(|(index, part)| {
            let joints: Option<Vec<JointId>> =
                part.joints.iter().map(|joint| joint.as_ref().ok().copied()).collect();
            let joints = joints?;
            (joints.len() >= least && joints.iter().all(|j| site.unique(*j)))
                .then(|| (PartId::new(index), joints))
        })
        .collect()
}

fn draw_part(
    site: &mut Site<'_>,
    least: usize,
    fits: impl Fn(&Site<'_>, PartId) -> bool,
) -> Option<(PartId, Vec<JointId>)> {
    let list: Vec<(PartId, Vec<JointId>)> =
        parts(site, least).into_iter().filter(|(part, _)| fits(site, *part)).collect();
    if list.is_empty() {
        return None;
    }
    let at = site.random.below(list.len());
    list.into_iter().nth(at)
}

fn kind(site: &Site<'_>, part: PartId) -> Option<PartKind> {
    site.facts.rig().parts[part.index()].kind
}

/// A control that no group holds.
fn no_group(site: &mut Site<'_>) -> Option<Planted> {
    if site.facts.rig().groups.is_empty() {
        return None;
    }
    let joints = site.joints();
    let from = site.draw(&joints)?;
    let step = site.random.direction() * 0.05 * site.facts.s();
    let grown = site.grow(&Growth { from, count: 1, step, stem: "aim", role: "control", chained: true })?;
    let what = format!("the control {} is in no group", grown.names[0]);
    Some(Planted { document: grown.document, subjects: grown.pointers, what })
}

/// A control is mentioned once more.
fn several(site: &mut Site<'_>) -> Option<Planted> {
    let groups = &site.facts.rig().groups;
    let held: Vec<JointId> = groups.iter().flat_map(|group| group.joints.iter().flatten().copied()).collect();
    let count = groups.len();
    let joint = site.draw(&held)?;
    let mut plan = site.spoilt_plan()?;
    let at = site.random.below(count);
    let name = site.name(joint).to_owned();
    list(&mut plan["groups"][at]["joints"])?.push(json!(name));
    let what = format!("{name} is mentioned in group {at} once more");
    Some(planted(plan, vec![site.pointer(joint)], what))
}

fn empty(site: &mut Site<'_>) -> Option<Planted> {
    let mut plan = site.spoilt_plan()?;
    let groups = list(&mut plan["groups"])?;
    if groups.is_empty() {
        return None;
    }
    let at = site.random.below(groups.len() + 1);
    groups.insert(at, json!({"name": format!("spare {at}"), "joints": []}));
    Some(planted(plan, vec![format!("/groups/{at}")], format!("group {at} is empty")))
}

/// Two groups of twins, of which one pair is the wrong way round or in one and the same group.
fn crossed(site: &mut Site<'_>) -> Option<Planted> {
    let (facts, rig) = (site.facts, site.facts.rig());
    let held = |joint: JointId| rig.groups.iter().any(|group| group.joints.contains(&Ok(joint)));
    let free: Vec<(JointId, JointId)> = facts
        .twins()
        .pairs
        .iter()
        .copied()
        .filter(|(a, b)| !held(*a) && !held(*b) && site.unique(*a) && site.unique(*b))
        .collect();
    let count = 3 + site.random.below(4);
    if free.len() < count {
        return None;
    }
    let first = site.random.below(free.len() - count + 1);
    let chosen = &free[first..first + count];
    let wrong = site.random.below(count);
    let same = site.random.unit() < 0.5;
    let (mut left, mut right) = (Vec::new(), Vec::new());
    for (number, (a, b)) in chosen.iter().enumerate() {
        let (a, b) = (json!(site.name(*a)), json!(site.name(*b)));
        match (number == wrong, same) {
            (false, _) => {
                left.push(a);
                right.push(b);
            }
            (true, true) => left.extend([a, b]),
            (true, false) => {
                left.push(a);
            }
        }
    }
    let mut plan = site.spoilt_plan()?;
    let groups = list(&mut plan["groups"])?;
    let at = groups.len();
    groups.push(json!({"name": "near side", "joints": left}));
    groups.push(json!({"name": "far side", "joints": right}));
    let (a, b) = chosen[wrong];
    let subjects =
        vec![format!("/groups/{at}"), format!("/groups/{}", at + 1), site.pointer(a), site.pointer(b)];
    let where_ = if same { "in the same group as" } else { "in no group, unlike" };
    let what = format!("{} is {where_} its twin {}", site.name(b), site.name(a));
    Some(planted(plan, subjects, what))
}

/// A digit, an eye, a jaw, a head or a neck hangs where no body has it.
fn anchor(site: &mut Site<'_>) -> Option<Planted> {
    use PartKind as K;
    let moved = |site: &Site<'_>, part: PartId| {
        matches!(kind(site, part), Some(K::Digit | K::Eye | K::Jaw | K::Ear | K::Head | K::Neck))
    };
    let (part, joints) = draw_part(site, 1, moved)?;
    let tree = site.facts.tree();
    let head = joints[0];
    tree.parent[head.index()]?;
    let own = kind(site, part)?;
    // The table of structure/part-anchor's page: what each kind never hangs from.
    let wrong = |under: PartKind, from_end: usize| match own {
        K::Digit => {
            matches!(under, K::Spine | K::Neck | K::Head | K::Jaw | K::Tail)
                || (matches!(under, K::Arm | K::Leg | K::Wing) && from_end > 1)
        }
        K::Head | K::Neck => matches!(under, K::Arm | K::Leg | K::Wing | K::Fin | K::Digit),
        _ => matches!(under, K::Arm | K::Leg | K::Wing | K::Fin | K::Digit | K::Tail),
    };
    let below = |joint: JointId| joint == head || tree.ancestors(joint).any(|up| up == head);
    let places: Vec<JointId> = parts(site, 1)
        .into_iter()
        .flat_map(|(under, joints)| {
            let last = joints.len() - 1;
            joints.into_iter().enumerate().map(move |(at, joint)| (under, joint, last - at))
        })
        .filter(|(under, joint, from_end)| {
            kind(site, *under).is_some_and(|kind| wrong(kind, *from_end)) && !below(*joint)
        })
        .map(|(_, joint, _)| joint)
        .collect();
    let place = site.draw(&places)?;
    let fault =
        Mutation::Parent { joint: site.name(head).to_owned(), parent: Some(site.name(place).to_owned()) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![format!("/parts/{}", part.0), site.pointer(head)],
        what: format!("{} ({own:?}) hangs from {}", site.name(head), site.name(place)),
    })
}

/// Of two parts that mirror each other, one hangs from another joint.
fn anchor_of_one_twin(site: &mut Site<'_>) -> Option<Planted> {
    let rig = site.facts.rig();
    let twins = site.facts.twins();
    let sided = |site: &Site<'_>, part: PartId| {
        let part = &site.facts.rig().parts[part.index()];
        matches!(part.side, Some(Side::Left | Side::Right)) && !part.asymmetric
    };
    let (part, joints) = draw_part(site, 1, sided)?;
    let head = joints[0];
    let other = twins.twin(head)?;
    let twin_part = rig.joints[other.index()].part?;
    // All of it has its twin in the other part, near its mirror image.
    let plane = site.facts.mirror()?;
    let near = |joint: &JointId| {
        twins.twin(*joint).is_some_and(|twin| {
            rig.joints[twin.index()].part == Some(twin_part)
                && plane.mirror(site.facts.origin(*joint)).distance(site.facts.origin(twin))
                    < 0.002 * site.facts.s()
        })
    };
    let alike = rig.parts[twin_part.index()].kind == rig.parts[part.index()].kind
        && rig.parts[twin_part.index()].joints.len() == joints.len()
        && rig.parts[twin_part.index()].side != rig.parts[part.index()].side;
    let parent = site.facts.tree().parent[head.index()]?;
    if !alike || !joints.iter().all(near) {
        return None;
    }
    let tree = site.facts.tree();
    let image = plane.mirror(site.facts.origin(tree.parent[other.index()]?));
    let below = |joint: JointId| joint == head || tree.ancestors(joint).any(|up| up == head);
    let places: Vec<JointId> = site
        .joints()
        .into_iter()
        .filter(|joint| *joint != parent && !below(*joint))
        .filter(|joint| site.facts.origin(*joint).distance(image) > 0.05 * site.facts.s())
        .collect();
    let place = site.draw(&places)?;
    let fault =
        Mutation::Parent { joint: site.name(head).to_owned(), parent: Some(site.name(place).to_owned()) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![format!("/parts/{}", part.0), format!("/parts/{}", twin_part.0)],
        what: format!("{} hangs from {}, and its twin does not", site.name(head), site.name(place)),
    })
}

/// Two joints of a part change places in its list.
fn disorder(site: &mut Site<'_>) -> Option<Planted> {
    let (part, joints) = draw_part(site, 2, |_, _| true)?;
    let a = site.random.below(joints.len());
    let b = site.random.below(joints.len());
    if a == b {
        return None;
    }
    let mut plan = site.spoilt_plan()?;
    list(&mut plan["parts"][part.index()]["joints"])?.swap(a, b);
    let what = format!("part {} lists {} where {} was", part.0, site.name(joints[a]), site.name(joints[b]));
    Some(planted(plan, vec![format!("/parts/{}", part.0)], what))
}

/// A joint of a part hangs from another one than that before it.
fn broken(site: &mut Site<'_>) -> Option<Planted> {
    let (part, joints) = draw_part(site, 2, |_, _| true)?;
    let at = 1 + site.random.below(joints.len() - 1);
    let tree = site.facts.tree();
    let joint = joints[at];
    let below = |other: JointId| other == joint || tree.ancestors(other).any(|up| up == joint);
    let places: Vec<JointId> =
        site.joints().into_iter().filter(|other| *other != joints[at - 1] && !below(*other)).collect();
    let place = site.draw(&places)?;
    let fault =
        Mutation::Parent { joint: site.name(joint).to_owned(), parent: Some(site.name(place).to_owned()) };
    Some(Planted {
        document: site.mutate(&fault)?,
        subjects: vec![format!("/parts/{}", part.0), site.pointer(joint)],
        what: format!("{} of part {} hangs from {}", site.name(joint), part.0, site.name(place)),
    })
}

/// The last joint of a part is left out of it.
fn no_part(site: &mut Site<'_>) -> Option<Planted> {
    let (part, joints) = draw_part(site, 2, |_, _| true)?;
    let last = *joints.last()?;
    if site.facts.rig().joints[last.index()].role != Some(Role::Deforming) {
        return None;
    }
    let mut plan = site.spoilt_plan()?;
    list(&mut plan["parts"][part.index()]["joints"])?.pop();
    Some(planted(plan, vec![site.pointer(last)], format!("{} is in no part", site.name(last))))
}

/// A part's kind is forgotten or misspelt.
fn no_kind(site: &mut Site<'_>) -> Option<Planted> {
    let (part, _) = draw_part(site, 1, |_, _| true)?;
    let mut plan = site.spoilt_plan()?;
    let old = plan["parts"][part.index()]["kind"].as_str()?.to_owned();
    let what = if site.random.unit() < 0.5 {
        plan["parts"][part.index()].as_object_mut()?.remove("kind");
        "nothing".to_owned()
    } else {
        let wrong = misspelt(site, &old)?;
        plan["parts"][part.index()]["kind"] = json!(wrong);
        wrong
    };
    Some(planted(plan, vec![format!("/parts/{}", part.0)], format!("the kind of part {} is {what}", part.0)))
}

/// An arm or a leg lists fewer than three joints.
fn few(site: &mut Site<'_>) -> Option<Planted> {
    let limb =
        |site: &Site<'_>, part: PartId| matches!(kind(site, part), Some(PartKind::Arm | PartKind::Leg));
    let (part, _) = draw_part(site, 3, limb)?;
    let left = 1 + site.random.below(2);
    let mut plan = site.spoilt_plan()?;
    list(&mut plan["parts"][part.index()]["joints"])?.truncate(left);
    Some(planted(plan, vec![format!("/parts/{}", part.0)], format!("limb {} lists {left} joints", part.0)))
}

/// A digit, a neck, a head or a jaw gets more joints than its kind has.
fn many(site: &mut Site<'_>) -> Option<Planted> {
    let most = |kind: PartKind| match kind {
        PartKind::Digit => Some(4),
        PartKind::Neck => Some(8),
        PartKind::Head => Some(2),
        PartKind::Jaw | PartKind::Eye => Some(1),
        _ => None,
    };
    let (part, joints) = draw_part(site, 1, |site, part| kind(site, part).and_then(most).is_some())?;
    let wanted = most(kind(site, part)?)? + 1 + site.random.below(3);
    let from = *joints.last()?;
    let step = site.random.direction() * 0.01 * site.facts.s();
    let count = wanted - joints.len();
    let grown = site.grow(&Growth { from, count, step, stem: "more", role: "deforming", chained: true })?;
    let Document::Plan(mut plan) = grown.document else { return None };
    let names = grown.names.into_iter().map(Value::from);
    list(&mut plan["parts"][part.index()]["joints"])?.extend(names);
    Some(planted(plan, vec![format!("/parts/{}", part.0)], format!("part {} has {wanted} joints", part.0)))
}

/// Two letters change places, or one is lost or doubled: near the old word, and nobody's name.
fn misspelt(site: &mut Site<'_>, word: &str) -> Option<String> {
    let mut letters: Vec<char> = word.chars().collect();
    if letters.is_empty() {
        return None;
    }
    let at = site.random.below(letters.len());
    match site.random.below(3) {
        0 if at + 1 < letters.len() => letters.swap(at, at + 1),
        1 => letters.insert(at, letters[at]),
        _ => {
            letters.remove(at);
        }
    }
    let out: String = letters.into_iter().collect();
    let rig = site.facts.rig();
    let taken = rig.joints.iter().any(|joint| joint.name.as_deref() == Some(out.as_str()))
        || rig.parts.iter().any(|part| part.name == out);
    (!out.is_empty() && !taken && out != word && nearest(&out, [word]).is_some()).then_some(out)
}

/// A name in a declaration is misspelt.
fn unknown(site: &mut Site<'_>) -> Option<Planted> {
    let mut plan = site.spoilt_plan()?;
    // What may name something: pointer of the member, and of what declares it.
    let mut places: Vec<(String, String)> = Vec::new();
    for (table, member) in
        [("parts", "joints"), ("groups", "joints"), ("pieces", "carried_by"), ("feet", "part")]
    {
        for (index, one) in plan[table].as_array().into_iter().flatten().enumerate() {
            let subject = format!("/{table}/{index}");
            match &one[member] {
                Value::Array(names) => places
                    .extend((0..names.len()).map(|at| (format!("{subject}/{member}/{at}"), subject.clone()))),
                Value::String(_) => places.push((format!("{subject}/{member}"), subject)),
                _ => {}
            }
        }
    }
    let roots = plan["roots"].as_array().map_or(0, Vec::len);
    places.extend((0..roots).map(|at| (format!("/roots/{at}"), String::new())));
    let at = site.random.below(places.len());
    let (place, subject) = places.get(at)?.clone();
    let old = plan.pointer(&place)?.as_str()?.to_owned();
    let wrong = misspelt(site, &old)?;
    *plan.pointer_mut(&place)? = json!(wrong);
    Some(planted(plan, vec![subject], format!("{place} names {wrong}, not {old}")))
}

/// A joint is listed by a second part, or twice by its own.
fn twice(site: &mut Site<'_>) -> Option<Planted> {
    let (part, joints) = draw_part(site, 1, |_, _| true)?;
    let joint = site.draw(&joints)?;
    let count = site.facts.rig().parts.len();
    let other = if site.random.unit() < 0.5 { part.index() } else { site.random.below(count) };
    let mut plan = site.spoilt_plan()?;
    let name = json!(site.name(joint));
    list(&mut plan["parts"][other]["joints"])?.push(name);
    let later = other.max(part.index());
    let what = format!("{} is in part {} and in part {other}", site.name(joint), part.0);
    Some(planted(plan, vec![format!("/parts/{later}"), site.pointer(joint)], what))
}
