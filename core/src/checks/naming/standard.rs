//! Humanoids by an open standard: the VRM map, and the H-Anim hierarchy.

use std::collections::BTreeMap;

use glam::DVec3;
use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{deg, list};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{Humanoid, JointId, Local, NodeId, Reads, Side, Source};
use crate::report::Severity;
use crate::standards::{HANIM_OLDER_NAMES, HanimJoint, hanim, vrm};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/standard",
    summary: "a humanoid is not as its standard says",
    why: "motion and clothes made for the standard find their joints by its names and parents: a bone that is missing or hung elsewhere stays still",
    rule: Rule { title: "VRM 1.0", section: "humanoid" },
    page: include_str!("standard.md"),
    on: On::BOTH,
    bands: &[
        fact("no-map", None),
        fact("bone", Some(Severity::Error)),
        fact("required", Some(Severity::Error)),
        fact("parent", Some(Severity::Error)),
        fact("scale", Some(Severity::Error)),
        Band {
            name: "t-pose",
            case: "t-pose",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 15.0,
            unit: "deg",
            severity: Some(Severity::Warning),
        },
        fact("h-anim", Some(Severity::Error)),
    ],
    requires: &[Need::Joints],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[Setting {
        name: "h-anim-level",
        about: "level of articulation of ISO/IEC 19774-1 that the names must follow, 1 to 4; 0 is none",
        default: 0.0,
    }],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

const fn fact(name: &'static str, severity: Option<Severity>) -> Band {
    Band { name, case: name, on: On::BOTH, bound: Bound::Fact, limit: 0.0, unit: "", severity }
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    avatar(ctx, sink);
    let level = ctx.setting("h-anim-level");
    if level >= 1.0 {
        h_anim(ctx, sink, level.min(4.0) as usize);
    }
}

/// A humanoid as mapped: bone to the place in `nodes` (glTF) or `joints` (plan).
struct Mapped<'c, 'a> {
    ctx: &'c Context<'a>,
    older: bool,
    places: BTreeMap<&'static str, usize>,
}

impl Mapped<'_, '_> {
    fn subject(&self, place: usize) -> Subject {
        match self.ctx.rig.source {
            Source::Plan => Subject::Joint(JointId::new(place)),
            Source::Gltf => match self.ctx.rig.nodes[place].joint {
                Some(joint) => Subject::Joint(joint),
                None => Subject::Node(NodeId::new(place)),
            },
        }
    }

    fn above(&self, place: usize) -> Option<usize> {
        match self.ctx.rig.source {
            Source::Plan => self.ctx.facts.tree().parent[place].map(JointId::index),
            Source::Gltf => self.ctx.rig.nodes[place].parent.map(NodeId::index),
        }
    }

    fn origin(&self, bone: &str) -> Option<DVec3> {
        let place = *self.places.get(bone)?;
        Some(match self.ctx.rig.source {
            Source::Plan => self.ctx.rig.joints[place].origin(),
            Source::Gltf => self.ctx.rig.nodes[place].world.w_axis.truncate(),
        })
    }

    /// The nearest bone above that the humanoid has, by the table.
    fn wanted(&self, bone: &str) -> Option<&'static str> {
        std::iter::successors(vrm().get(bone)?.parent, |up| vrm().get(up)?.parent)
            .find(|up| self.places.contains_key(up))
    }
}

fn avatar(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let asked = sink.breach("no-map");
    let (mapped, fact_of_map) = match (&ctx.rig.humanoid, ctx.rig.source) {
        (Some(map), _) => read_map(ctx, map),
        // A plan has no map: its names are the bones'.
        (None, Source::Plan) if asked.is_some() => (by_name(ctx), Vec::new()),
        (None, Source::Plan) => return,
        (None, Source::Gltf) => {
            if let Some(hit) = asked {
                // No fix: the extension that holds the map names author and licence, which a person has to say.
                sink.report(hit, Fact::new(Subject::Rig, no_map()));
            }
            return;
        }
    };
    if let Some(hit) = sink.breach("bone") {
        for one in fact_of_map {
            sink.report(hit, one);
        }
    }
    required(ctx, sink, &mapped);
    parents(sink, &mapped);
    scales(sink, &mapped);
    t_pose(sink, &mapped);
}

/// The bones of the map, and what is wrong with its entries.
fn read_map<'c, 'a>(ctx: &'c Context<'a>, map: &Humanoid) -> (Mapped<'c, 'a>, Vec<Fact>) {
    let mut mapped = Mapped { ctx, older: map.older, places: BTreeMap::new() };
    let mut facts = Vec::new();
    let mut bone_at: BTreeMap<usize, &str> = BTreeMap::new();
    let mut unknown: Vec<&str> = Vec::new();
    for (name, node) in &map.bones {
        let Some((known, _)) = vrm().get_key_value(name.as_str()) else {
            unknown.push(name);
            continue;
        };
        let Some(node) = node else {
            facts.push(Fact::new(Subject::Rig, no_node(name)));
            continue;
        };
        if let Some(other) = bone_at.insert(node.index(), known) {
            let subject = mapped.subject(node.index());
            let text = shared(&ctx.labels.name(&subject), other, known);
            facts.push(Fact::new(subject, text));
        }
        mapped.places.insert(known, node.index());
    }
    if !unknown.is_empty() {
        let text = not_in_standard(unknown.len(), &list(unknown.iter().copied()));
        facts.push(Fact::new(Subject::Rig, text).evidence(
            "names",
            unknown.len() as f64,
            Some(0.0),
            Unit::Count,
        ));
    }
    (mapped, facts)
}

fn by_name<'c, 'a>(ctx: &'c Context<'a>) -> Mapped<'c, 'a> {
    let mut places = BTreeMap::new();
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        if let Some((known, _)) = joint.name.as_deref().and_then(|name| vrm().get_key_value(name)) {
            places.entry(*known).or_insert(index);
        }
    }
    Mapped { ctx, older: false, places }
}

fn required(ctx: &Context<'_>, sink: &mut Sink<'_>, mapped: &Mapped<'_, '_>) {
    let Some(hit) = sink.breach("required") else { return };
    // Version 0.x asked for the chest and the neck as well.
    let wanted = |name: &str, required: bool| required || (mapped.older && matches!(name, "chest" | "neck"));
    let missing: Vec<&'static str> = vrm()
        .values()
        .filter(|bone| wanted(bone.name, bone.required) && !mapped.places.contains_key(bone.name))
        .map(|bone| bone.name)
        .collect();
    if missing.is_empty() {
        return;
    }
    let text = lacking(missing.len(), &list(missing.iter().copied()));
    let guess: BTreeMap<&str, JointId> =
        guessed(ctx, &mapped.places).into_iter().filter(|(bone, _)| missing.contains(bone)).collect();
    let fact = Fact::new(Subject::Rig, text).evidence("bones", missing.len() as f64, Some(0.0), Unit::Count);
    sink.report(hit, fact.fix(map_fix(ctx, &guess)));
}

fn parents(sink: &mut Sink<'_>, mapped: &Mapped<'_, '_>) {
    let Some(hit) = sink.breach("parent") else { return };
    let bone_at: BTreeMap<usize, &str> = mapped.places.iter().map(|(bone, place)| (*place, *bone)).collect();
    for bone in vrm().values() {
        let Some(place) = mapped.places.get(bone.name) else { continue };
        let subject = mapped.subject(*place);
        let name = mapped.ctx.labels.name(&subject);
        if let Some(parent) = bone.parent.filter(|up| bone.needs_parent && !mapped.places.contains_key(up)) {
            sink.report(hit, Fact::new(subject, needs(&name, bone.name, parent)));
            continue;
        }
        let actual = std::iter::successors(mapped.above(*place), |up| mapped.above(*up))
            .find_map(|up| bone_at.get(&up).copied());
        let wanted = mapped.wanted(bone.name);
        if actual != wanted {
            sink.report(hit, Fact::new(subject, hung(&name, bone.name, actual, wanted)));
        }
    }
}

fn scales(sink: &mut Sink<'_>, mapped: &Mapped<'_, '_>) {
    let Some(hit) = sink.breach("scale") else { return };
    if mapped.ctx.rig.source == Source::Plan {
        return;
    }
    for (bone, place) in &mapped.places {
        let Local::Trs { scale, .. } = mapped.ctx.rig.nodes[*place].local else { continue };
        if scale.min_element() <= 0.0 {
            let subject = mapped.subject(*place);
            let text = scaled(&mapped.ctx.labels.name(&subject), bone, scale.min_element());
            sink.report(
                hit,
                Fact::new(subject, text).evidence("scale", scale.min_element(), Some(0.0), Unit::One),
            );
        }
    }
}

/// Arms along the sides, legs down, trunk up, toes forward: in the body's own frame, whichever way it faces.
fn t_pose(sink: &mut Sink<'_>, mapped: &Mapped<'_, '_>) {
    let Some((left, up, forward)) = own_frame(mapped) else { return };
    let mut segments: Vec<(String, String, DVec3)> =
        vec![("hips".into(), "spine".into(), up), ("spine".into(), "head".into(), up)];
    for (side, out) in [("left", left), ("right", -left)] {
        for (from, to, along) in [
            ("UpperArm", "LowerArm", out),
            ("LowerArm", "Hand", out),
            ("UpperLeg", "LowerLeg", -up),
            ("LowerLeg", "Foot", -up),
            ("Foot", "Toes", forward),
        ] {
            segments.push((format!("{side}{from}"), format!("{side}{to}"), along));
        }
    }
    let mut off: Vec<(f64, String, String)> = Vec::new();
    for (from, to, along) in segments {
        let (Some(a), Some(b)) = (mapped.origin(&from), mapped.origin(&to)) else { continue };
        let mut way = b - a;
        // Toes lie below the ankle: only where they point counts.
        if to.ends_with("Toes") {
            way -= up * way.dot(up);
        }
        let Some(way) = way.try_normalize() else { continue };
        off.push((way.angle_between(along).to_degrees(), from, to));
    }
    let Some((worst, from, to)) = off.iter().max_by(|a, b| a.0.total_cmp(&b.0)) else { return };
    let Some(hit) = sink.judge("t-pose", *worst) else { return };
    let others = off.iter().filter(|(angle, ..)| *angle > hit.bound()).count() - 1;
    let text = not_t(from, to, *worst, hit.bound(), others);
    sink.report(
        hit,
        Fact::new(Subject::Rig, text).evidence("angle off the pose", *worst, hit.limit, Unit::Degree),
    );
}

/// Left, up and forward of the body: from the hips to the head, and from one shoulder (or hip) to the other.
fn own_frame(mapped: &Mapped<'_, '_>) -> Option<(DVec3, DVec3, DVec3)> {
    let up = (mapped.origin("head")? - mapped.origin("hips")?).try_normalize()?;
    let across = |bone: &str| {
        let side = |side: &str| mapped.origin(&format!("{side}{bone}"));
        Some(side("left")? - side("right")?)
    };
    let across = across("UpperArm").or_else(|| across("UpperLeg"))?;
    let left = (across - up * across.dot(up)).try_normalize()?;
    Some((left, up, left.cross(up)))
}

/// Joints whose names say what a bone is called, side and style apart.
fn guessed(ctx: &Context<'_>, known: &BTreeMap<&'static str, usize>) -> BTreeMap<&'static str, JointId> {
    let letters = |text: &str| {
        text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect::<String>()
    };
    let names = ctx.facts.names();
    let mut by_letters: BTreeMap<String, &'static str> = BTreeMap::new();
    for bone in vrm().keys().filter(|bone| !known.contains_key(*bone)) {
        by_letters.insert(letters(bone), bone);
    }
    let mut found: BTreeMap<&'static str, Vec<JointId>> = BTreeMap::new();
    for index in 0..ctx.rig.joints.len() {
        let joint = JointId::new(index);
        let plain = &names.plain[index];
        let stem = names.sides[index].as_ref().map_or(plain.clone(), |token| token.stem(plain));
        let side = match names.sided(joint) {
            Some(Side::Left) => "left",
            Some(Side::Right) => "right",
            _ => "",
        };
        if let Some(bone) = by_letters.get(&format!("{side}{}", letters(&stem))) {
            found.entry(bone).or_default().push(joint);
        }
    }
    // Two joints that could be meant are none.
    found
        .into_iter()
        .filter(|(_, joints)| joints.len() == 1)
        .map(|(bone, joints)| (bone, joints[0]))
        .collect()
}

fn map_fix(ctx: &Context<'_>, guess: &BTreeMap<&'static str, JointId>) -> Option<Fix> {
    if guess.is_empty() {
        return None;
    }
    let summary = format!(
        "use the joints that are called so for {}",
        list(guess.keys().copied().collect::<Vec<_>>().into_iter())
    );
    if ctx.rig.source == Source::Plan {
        let renames: Vec<(JointId, String)> =
            guess.iter().map(|(bone, j)| (*j, (*bone).to_owned())).collect();
        return Some(remedy::rename(ctx.rig, &renames, Applicability::Review, summary));
    }
    let bones: serde_json::Map<String, serde_json::Value> = guess
        .iter()
        .filter_map(|(bone, joint)| Some(((*bone).to_owned(), json!(ctx.rig.joints[joint.index()].node?.0))))
        .collect();
    let arguments = json!({"bones": bones});
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "map-humanoid".into(),
        arguments,
        summary,
    })
}

/// Names and parents of ISO/IEC 19774-1 at a level.
fn h_anim(ctx: &Context<'_>, sink: &mut Sink<'_>, level: usize) {
    let Some(hit) = sink.breach("h-anim") else { return };
    let tree = ctx.facts.tree();
    let mut joints: BTreeMap<&'static str, JointId> = BTreeMap::new();
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        if let Some((known, _)) = joint.name.as_deref().and_then(|name| hanim().get_key_value(name)) {
            joints.entry(known).or_insert(JointId::new(index));
        }
    }
    // An asset may be finer than asked: then its own level says what hangs from what.
    let finest = joints.keys().map(|name| usize::from(hanim()[name].lowest)).max().unwrap_or(0).max(level);
    let missing: Vec<&'static str> = hanim()
        .values()
        .filter(|joint| joint.at(level) && joint.at(finest) && !joints.contains_key(joint.name))
        .map(|joint| joint.name)
        .collect();
    if !missing.is_empty() {
        let text = joints_lacking(missing.len(), level, &list(missing.iter().copied()));
        let fact =
            Fact::new(Subject::Rig, text).evidence("joints", missing.len() as f64, Some(0.0), Unit::Count);
        sink.report(hit, fact.fix(renamed(ctx, &missing)));
    }
    let parent = |joint: &HanimJoint| -> Option<&'static str> {
        (1..=finest).rev().find_map(|level| joint.parents[level - 1])
    };
    let name_at: BTreeMap<JointId, &'static str> =
        joints.iter().map(|(name, joint)| (*joint, *name)).collect();
    // The nearest standard joint above, for every joint at once.
    let mut above: Vec<Option<&'static str>> = vec![None; ctx.rig.joints.len()];
    for joint in &tree.order {
        if let Some(up) = tree.parent[joint.index()] {
            above[joint.index()] = name_at.get(&up).copied().or(above[up.index()]);
        }
    }
    for (name, joint) in &joints {
        let wanted = std::iter::successors(parent(&hanim()[name]), |up| parent(&hanim()[up]))
            .find(|up| joints.contains_key(up));
        let actual = above[joint.index()];
        if actual != wanted {
            let text = hung(ctx.name(*joint), name, actual, wanted);
            sink.report(hit, Fact::new(Subject::Joint(*joint), text));
        }
    }
}

/// Joints that bear an older name of the standard, or the name in another case.
fn renamed(ctx: &Context<'_>, missing: &[&'static str]) -> Option<Fix> {
    let renames: Vec<(JointId, String)> = missing
        .iter()
        .filter_map(|wanted| {
            let older = HANIM_OLDER_NAMES.iter().find(|(_, newer)| newer == wanted).map(|(older, _)| *older);
            let called = |name: &str| name.eq_ignore_ascii_case(wanted) || Some(name) == older;
            let at = ctx.rig.joints.iter().position(|joint| joint.name.as_deref().is_some_and(called))?;
            Some((JointId::new(at), (*wanted).to_owned()))
        })
        .collect();
    let summary = format!("rename to {}", list(renames.iter().map(|(_, name)| name.as_str())));
    (!renames.is_empty()).then(|| remedy::rename(ctx.rig, &renames, Applicability::Review, summary))
}

fn no_map() -> String {
    "the file has 0 humanoid bones: no VRM extension maps them".to_owned()
}

fn no_node(bone: &str) -> String {
    format!("the humanoid's {bone} names no node")
}

fn shared(name: &str, one: &str, other: &str) -> String {
    format!("{name} is two bones of the humanoid, {one} and {other}")
}

fn not_in_standard(number: usize, names: &str) -> String {
    if number == 1 {
        format!("the humanoid has a bone that the standard does not know ({names})")
    } else {
        format!("the humanoid has {number} bones that the standard does not know ({names})")
    }
}

fn lacking(number: usize, names: &str) -> String {
    if number == 1 {
        format!("the humanoid lacks 1 required bone ({names})")
    } else {
        format!("the humanoid lacks {number} required bones ({names})")
    }
}

fn joints_lacking(number: usize, level: usize, names: &str) -> String {
    let what = if number == 1 { "1 joint".to_owned() } else { format!("{number} of the joints") };
    format!("the skeleton lacks {what} of level of articulation {level} ({names})")
}

fn needs(name: &str, bone: &str, parent: &str) -> String {
    format!("{name} is the humanoid's {bone}, which may not exist without {parent}")
}

fn hung(name: &str, bone: &str, actual: Option<&str>, wanted: Option<&str>) -> String {
    let what = if name == bone { name.to_owned() } else { format!("{name} ({bone})") };
    let from = actual.map_or("from no bone".to_owned(), |up| format!("from {up}"));
    let to = wanted.map_or("from none".to_owned(), |up| format!("from {up}"));
    format!("{what} hangs {from}, and by the standard {to}")
}

fn scaled(name: &str, bone: &str, scale: f64) -> String {
    format!("{name} is the humanoid's {bone} and has a scale of {scale} (must be above 0)")
}

fn not_t(from: &str, to: &str, worst: f64, limit: f64, others: usize) -> String {
    let more = match others {
        0 => String::new(),
        1 => ", and one more segment is off".to_owned(),
        n => format!(", and {n} more segments are off"),
    };
    format!("the rest pose is no T-pose: {from} to {to} is {} off{more} (limit {})", deg(worst), deg(limit))
}

#[cfg(all(test, feature = "testing"))]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use serde_json::{Value, json};

    use crate::check::{Profile, Request, Unobserved, run};
    use crate::intake::{Bundle, Limits, Upload, read};
    use crate::testing::{build, with_document};

    const BONES: [&str; 15] = [
        "hips",
        "spine",
        "head",
        "leftUpperArm",
        "leftLowerArm",
        "leftHand",
        "rightUpperArm",
        "rightLowerArm",
        "rightHand",
        "leftUpperLeg",
        "leftLowerLeg",
        "leftFoot",
        "rightUpperLeg",
        "rightLowerLeg",
        "rightFoot",
    ];

    /// A clerk of the fifteen bones whose left lies at +X times `x`.
    fn clerk(x: f64) -> Vec<u8> {
        let mut text =
            "gltf\njoint hips at 0 1 0 parent none\njoint spine at 0 1.1 0\njoint head at 0 1.5 0\n"
                .to_owned();
        for (side, x) in [("l", x), ("r", -x)] {
            for (name, out, up, parent) in [
                ("arm", 0.2, 1.4, "spine".to_owned()),
                ("elbow", 0.45, 1.4, format!("arm_{side}")),
                ("wrist", 0.7, 1.4, format!("elbow_{side}")),
            ] {
                text += &format!("joint {name}_{side} at {} {up} 0 parent {parent}\n", out * x);
            }
        }
        for (side, x) in [("l", x), ("r", -x)] {
            for (name, up, parent) in [
                ("leg", 0.95, "hips".to_owned()),
                ("knee", 0.5, format!("leg_{side}")),
                ("ankle", 0.1, format!("knee_{side}")),
            ] {
                text += &format!("joint {name}_{side} at {} {up} 0 parent {parent}\n", 0.1 * x);
            }
        }
        text += "body tubes radius 0.02 rings 2 sides 3\n";
        build(&text).unwrap()
    }

    fn messages(glb: &[u8], change: impl FnOnce(&mut Value)) -> Vec<String> {
        let glb = with_document(glb, change).unwrap();
        let model = Some(Upload { name: "clerk.vrm", bytes: &glb });
        let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
        let profile = Profile::builtin("avatar").unwrap();
        let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
        request.only = vec!["naming/standard".into()];
        run(&intake, &request, &Unobserved).unwrap().findings.into_iter().map(|f| f.message).collect()
    }

    fn map(document: &mut Value) {
        let bones: serde_json::Map<String, Value> = BONES
            .iter()
            .enumerate()
            .map(|(node, bone)| ((*bone).to_owned(), json!({"node": node})))
            .collect();
        document["extensions"]["VRMC_vrm"]["humanoid"]["humanBones"] = Value::Object(bones);
    }

    #[test]
    fn the_smallest_humanoid_is_clean_and_each_breach_is_told() {
        let glb = clerk(1.0);
        assert_eq!(messages(&glb, map), Vec::<String>::new());
        let told = |change: &dyn Fn(&mut Value)| {
            messages(&glb, |document| {
                map(document);
                change(document);
            })
        };
        let bones = "/extensions/VRMC_vrm/humanoid/humanBones";
        let found = told(&|d| d.pointer_mut(bones).unwrap()["tail"] = json!({"node": 0}));
        assert_eq!(found, ["the humanoid has a bone that the standard does not know (tail)"]);
        let found = told(&|d| d.pointer_mut(bones).unwrap()["jaw"] = json!({}));
        assert_eq!(found, ["the humanoid's jaw names no node"]);
        let found = told(&|d| d.pointer_mut(bones).unwrap()["jaw"] = json!({"node": 2}));
        assert!(found.iter().any(|text| text.contains("is two bones of the humanoid")), "{found:?}");
        let found = told(&|d| d["nodes"][5]["scale"] = json!([1, 0, 1]));
        assert!(found.iter().any(|text| text.contains("has a scale of 0 (must be above 0)")), "{found:?}");
    }

    /// VRM 0.x faces -Z, and asks for the chest and the neck as well.
    #[test]
    fn the_older_version_asks_for_more() {
        let older = |document: &mut Value| {
            let list: Vec<Value> =
                BONES.iter().enumerate().map(|(node, bone)| json!({"bone": bone, "node": node})).collect();
            document["extensions"]["VRM"]["humanoid"]["humanBones"] = json!(list);
        };
        assert_eq!(messages(&clerk(-1.0), older), ["the humanoid lacks 2 required bones (chest, neck)"]);
    }
}
