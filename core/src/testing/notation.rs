//! The rig notation of the check pages: a few lines of text make a plan or a GLB, which goes through the real intake.
//!
//! The first line says `plan` or `gltf`; `#` starts a comment. Positions are metres, +Y up, the character's left at +X.
//!
//! | line | meaning |
//! |---|---|
//! | `joint NAME at X Y Z [tip X Y Z] [parent NAME\|none\|undecided] [turn X\|Y\|Z DEG] [role carrying\|control] [bend DEG DEG]` | a joint; without `parent` it hangs from the joint line before it (the first one is a root); `turn` is about its own axis, `bend` a plan's range about the bend axis |
//! | `part NAME [kind K] [side S] joints A B C [asymmetric] [stylised] [joined]` | a part of a plan; a joint that no line has is unknown; `joined`: it starts at its parent's tip |
//! | `foot PART at X Y Z [rocking X Y Z X Y Z]` | a foot of a plan: its contact, and the points it rocks between |
//! | `group NAME joints A B C` | a group of controls of a plan |
//! | `piece NAME by JOINT [at X Y Z]` | something a joint carries; in a glTF a mesh node below it |
//! | `roots A B` | the declared roots of a plan |
//! | `axes +y +x` | the long axis and the bend axis of a plan |
//! | `profile NAME` | the built-in profile that judges the text |
//! | `frames` | turns every joint's +Y to its tip or only child, with the least rotation against its parent |
//! | `asset NAME`, `units METRES` | a plan's asset, and metres per unit of the written numbers |
//! | `body tubes radius R [rings N] [sides N] [under JOINT] [joints A B C]` | a glTF's skin: a tube around each segment, with weights blended over its ends; each such line is a mesh and a skin of its own. Below a plan, its body comes as a GLB of its own, see [`build_body`] |
//! | `body hose radius R … joints A B C` | the same, as one closed run of rings along these joints |
//! | `weights unorm8\|unorm16` | how a glTF stores its weights |
//! | `bind scale K` | a glTF written K times as large, under a node that makes it small again |
//! | `camera JOINT` | a glTF's camera below a joint |
//! | `humanoid BONE JOINT BONE JOINT …` | entries of a glTF's VRM 1.0 humanoid |
//! | `stage` | puts a glTF's roots under one plain node |
//! | `clip NAME [step\|cubic] rotate\|translate\|scale JOINT V V V` | a channel of a clip, one key each 0.5 s: degrees about +X, multiples of the offset at bind, or factors; lines after each other under one name are one clip |
//! | `waiver CHECK [SUBJECT] [until DAY]` | a waiver of a plan |
//! | `reference` | what follows is the reference skeleton that the rig must conform to, in the same notation and form |
//! | `mutate KIND ARGS` | a planted fault, see below |
//!
//! | fault | meaning |
//! |---|---|
//! | `twist JOINT DEG` | turns the joint alone about its long axis |
//! | `move JOINT X Y Z` | moves its origin alone by this much |
//! | `rename JOINT NAME` | gives it another name; references follow |
//! | `swap-names JOINT JOINT`, `parent JOINT NAME\|none` | exchanges names; hangs it elsewhere without moving it |
//! | `quaternion JOINT FACTOR` | multiplies its written quaternion |
//! | `lengthen JOINT FACTOR`, `pose JOINT AXIS DEG` | change the rest pose after binding |
//! | `unweight N`, `nan-weights N`, `scale-weights N FACTOR` | spoil the weights of the first N vertices |
//! | `scale JOINT X Y Z` | scales a joint at rest, after binding |
//! | `stretch JOINT X Y Z` | scales a joint's bind matrix |
//! | `joint-index VERTEX INDEX [SLOT]` | overwrites a joint index of a vertex |
//! | `drop-bind-matrix` | leaves out the last bind matrix |
//! | `off-scene JOINT` | leaves a root out of the scene |
//! | `key-factor CLIP KEY FACTOR` | multiplies a key's value in the clip's first channel |
//! | `key-time CLIP KEY SECONDS` | overwrites a key's time there |
//! | `row FIRST COUNT JOINT W [JOINT W]…`, `blend FIRST COUNT JOINT W` | sets vertices' influences; gives a joint a share of them |
//! | `position VERTEX X Y Z`, `triangle A B C` | puts a vertex somewhere; adds a triangle |
//! | `box X Y Z HALF JOINT JOINT` | adds a small box to the mesh, one half with each joint |
//! | `leave-out ATTRIBUTE` | leaves a vertex attribute out of the file |
//! | `skeleton NODE` | what the skin says its skeleton is |
//! | `rebind JOINT move\|scale X Y Z`, `rebind JOINT corner W` | spoils a bind matrix of the last skin that has the joint |
//! | `place-mesh X Y Z` | moves the node that draws the skin |
//!
//! A plan with a `body` line comes with that body; faults that a plan has nothing for are planted in the body.
//!
//! `# expect: check/id severity` at the end of a line says that the check must find that line's joint, part or piece;
//! on the first line, the rig; on `body`, its mesh or its skin. The severity may be left out.

use std::fmt;

use glam::DVec3;
use serde_json::{Map, Value, json};

use super::parse::{FootLine, Form, GroupLine, Text, parse};
use super::{document, model, mutation};
use crate::export::write_glb;
use crate::report::Finding;

/// What is wrong with a notation text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotationError {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong with it.
    pub message: String,
}

impl fmt::Display for NotationError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "line {}: {}", self.line, self.message)
    }
}

impl std::error::Error for NotationError {}

/// A finding that a text announces.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expectation {
    /// The check's id.
    pub check: String,
    /// The severity, if the text says one.
    pub severity: Option<String>,
    /// The line, from 1.
    pub line: usize,
    /// Pointers into the document of which the subject's must be one, or lie below one; empty for the rig.
    pub pointers: Vec<String>,
}

impl Expectation {
    /// Whether a finding is the one announced.
    pub fn matches(&self, finding: &Finding) -> bool {
        let subject = &finding.subject;
        if self.check != finding.check
            || self.severity.as_ref().is_some_and(|word| word != finding.severity.word())
        {
            return false;
        }
        if self.pointers.is_empty() {
            return subject.kind == "rig";
        }
        self.pointers.iter().any(|pointer| {
            subject.pointer.strip_prefix(pointer).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
        })
    }
}

/// The rig's lines, and those of the reference skeleton after them, if there are any.
fn halves(text: &str) -> (&str, Option<&str>) {
    match text.split_once("\nreference\n") {
        Some((rig, reference)) => (&text[..=rig.len()], Some(reference)),
        None => (text, None),
    }
}

/// Builds the reference skeleton of a text that has one; the first line of the text says its form.
pub fn build_reference(text: &str) -> Result<Option<Vec<u8>>, NotationError> {
    let (rig, Some(reference)) = halves(text) else { return Ok(None) };
    let form = rig.lines().find_map(|line| line.split('#').next()?.split_whitespace().next());
    build(&format!("{}\n{reference}", form.unwrap_or_default()))
        .map(Some)
        .map_err(|error| NotationError { line: error.line + rig.lines().count(), message: error.message })
}

/// Builds what the text describes: the bytes of a plan, or of a GLB.
pub fn build(text: &str) -> Result<Vec<u8>, NotationError> {
    let text = parse(halves(text).0)?;
    let planted = |fault: &&(usize, mutation::Mutation)| {
        text.form == Form::Gltf || text.bodies.is_empty() || fault.1.fits_a_plan()
    };
    let (lines, faults): (Vec<usize>, Vec<_>) = text.faults.iter().filter(planted).cloned().unzip();
    let at_its_line = |(place, message): (usize, String)| NotationError { line: lines[place], message };
    match text.form {
        Form::Plan => {
            let mut plan = plan(&text);
            mutation::plant_in_plan(&mut plan, &faults).map_err(at_its_line)?;
            Ok(plan.to_string().into_bytes())
        }
        Form::Gltf => {
            let mut scene = model::scene(&text);
            mutation::plant_in_scene(&mut scene, &faults).map_err(at_its_line)?;
            Ok(document::extended(write_glb(&scene, &text.storage), &text))
        }
    }
}

/// The body that comes with a plan: the bytes of a GLB, if the text has a body line.
pub fn build_body(text: &str) -> Result<Option<Vec<u8>>, NotationError> {
    let text = parse(halves(text).0)?;
    if text.form != Form::Plan || text.bodies.is_empty() {
        return Ok(None);
    }
    let mut scene = model::scene(&text);
    let (lines, faults): (Vec<usize>, Vec<_>) =
        text.faults.iter().filter(|(_, fault)| !fault.fits_a_plan()).cloned().unzip();
    mutation::plant_in_scene(&mut scene, &faults)
        .map_err(|(place, message)| NotationError { line: lines[place], message })?;
    Ok(Some(write_glb(&scene, &text.storage)))
}

/// The built-in profile that the text asks to be judged by.
pub fn profile(text: &str) -> Result<Option<String>, NotationError> {
    parse(halves(text).0).map(|scene| scene.profile)
}

/// The findings that the text announces.
pub fn expectations(text: &str) -> Result<Vec<Expectation>, NotationError> {
    parse(halves(text).0).map(|scene| scene.expected)
}

fn plan(scene: &Text) -> Value {
    let point = |p: DVec3| json!((p / scene.units).to_array());
    let joints: Vec<Value> = scene
        .joints
        .iter()
        .map(|joint| {
            let mut object = Map::new();
            object.insert("name".into(), json!(joint.name));
            object.insert("origin".into(), point(joint.origin));
            if let Some(tip) = joint.tip {
                object.insert("tip".into(), point(tip));
            }
            if joint.oriented {
                object.insert("orientation".into(), json!(joint.turn.to_array()));
            }
            match (joint.parent, &joint.asked) {
                (Some(parent), _) => {
                    object.insert("parent".into(), json!(scene.joints[parent].name));
                }
                (None, Some(asked)) => {
                    object.insert("parent".into(), json!(asked));
                }
                (None, None) if joint.undecided => {}
                (None, None) => {
                    object.insert("parent".into(), Value::Null);
                }
            }
            if let Some(role) = &joint.role {
                object.insert("role".into(), json!(role));
            }
            if let Some(bend) = joint.bend {
                object.insert("range".into(), json!({"bend": bend}));
            }
            Value::Object(object)
        })
        .collect();
    let parts: Vec<Value> = scene
        .parts
        .iter()
        .map(|part| {
            let mut object = Map::new();
            object.insert("name".into(), json!(part.name));
            if let Some(kind) = &part.kind {
                object.insert("kind".into(), json!(kind));
            }
            if let Some(side) = &part.side {
                object.insert("side".into(), json!(side));
            }
            object.insert("joints".into(), json!(part.joints));
            if part.asymmetric {
                object.insert("asymmetric".into(), json!(true));
            }
            if part.stylised {
                object.insert("stylised".into(), json!(true));
            }
            if part.joined {
                object.insert("starts".into(), json!("at_parent_tip"));
            }
            Value::Object(object)
        })
        .collect();
    let pieces: Vec<Value> = scene
        .pieces
        .iter()
        .map(|piece| {
            let by = &scene.joints[piece.by].name;
            json!({"name": piece.name, "carried_by": by, "pivot": piece.at.map(point)})
        })
        .collect();
    let mut document = json!({
        "schema": "condyle.plan/1",
        "asset": scene.asset,
        "joints": joints,
        "parts": parts,
        "pieces": pieces,
    });
    if !scene.waivers.is_empty() {
        let list = scene.waivers.iter().map(|[check, subject, until]| {
            json!({"check": check, "subject": subject, "until": until, "reason": "agreed", "by": "rigging"})
        });
        document["waivers"] = Value::Array(list.collect());
    }
    // Written only where it is not the default, as people do.
    if (scene.units - 1.0).abs() > f64::EPSILON {
        document["units"] = json!({"metres": scene.units});
    }
    if !scene.feet.is_empty() {
        let foot = |foot: &FootLine| {
            let rocking = foot.rocking.map(|ends| ends.map(point));
            json!({"part": foot.part, "contact": point(foot.contact), "rocking": rocking})
        };
        document["feet"] = scene.feet.iter().map(foot).collect();
    }
    if let Some(roots) = &scene.roots {
        document["roots"] = json!(roots);
    }
    if !scene.groups.is_empty() {
        let group = |group: &GroupLine| json!({"name": group.name, "joints": group.joints});
        document["groups"] = scene.groups.iter().map(group).collect();
    }
    if let Some((long, bend)) = &scene.axes {
        document["axes"] = json!({"long": long, "bend": bend});
    }
    document
}

#[cfg(test)]
#[allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]
mod tests {
    use super::*;

    #[test]
    fn mistakes_are_told_with_their_line() {
        let told = |text: &str| build(text).unwrap_err().to_string();
        assert_eq!(told(""), "line 1: the first line says plan or gltf");
        assert_eq!(told("plan\njiont a at 0 0 0"), "line 2: there is no line that starts with jiont");
        assert_eq!(told("plan\njoint a at 0 0"), "line 2: number is missing");
        assert_eq!(told("plan\njoint a at 0 0 x"), "line 2: x is no number");
        assert_eq!(told("plan\njoint a at 0 0 0 tpi 1 1 1"), "line 2: tpi says nothing about a joint");
        assert_eq!(told("plan\npiece a by b"), "line 2: no joint line before this one is called b");
        assert_eq!(
            told("plan\nframes # expect: structure/root"),
            "line 2: nothing can be found on this line"
        );
        assert_eq!(
            told("plan\njoint a at 0 0 0\nmutate unweight 3"),
            "line 3: a plan has nothing for unweight"
        );
        assert_eq!(told("gltf\njoint a at 0 0 0\nmutate bend a"), "line 3: there is no fault called bend");
        assert_eq!(told("plan\nframes please"), "line 2: please has no place here");
        assert_eq!(told("plan # expect: a/b note c"), "line 1: c has no place here");
        assert_eq!(
            told("gltf\njoint a at 0 0 0\nbody tubes radius 1"),
            "line 3: a body needs a segment to be around"
        );
    }

    #[test]
    fn frames_point_along_and_mirror_by_flipping_x() {
        let text = "plan\njoint hips at 0 1 0 tip 0 1.3 0 parent none\n\
            joint hip_l at 0.1 1 0 tip 0.12 0.5 0.1 parent hips\njoint hip_r at -0.1 1 0 tip -0.12 0.5 0.1 parent hips\nframes\n";
        let scene = parse(text).unwrap();
        let (left, right) = (scene.joints[1].turn, scene.joints[2].turn);
        assert!((left * DVec3::Y).distance(DVec3::new(0.02, -0.5, 0.1).normalize()) < 1e-9);
        let flip = DVec3::new(-1.0, 1.0, 1.0);
        for axis in DVec3::AXES {
            assert!((flip * (left * axis)).distance(right * (flip * axis)) < 1e-9);
        }
    }

    #[test]
    fn what_is_not_said_is_not_written() {
        let bytes = build("plan\njoint a at 0 0 0 parent undecided\njoint b at 0 1 0 parent c").unwrap();
        let plan: Value = serde_json::from_slice(&bytes).unwrap();
        assert!(plan["joints"][0].get("parent").is_none() && plan["joints"][0].get("orientation").is_none());
        assert_eq!(plan["joints"][1]["parent"], "c");
    }
}
