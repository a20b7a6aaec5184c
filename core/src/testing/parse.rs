//! Reading the notation, and the faults that change joints.

use std::iter::Peekable;
use std::str::SplitWhitespace;

use glam::{DQuat, DVec3};

use super::notation::{Expectation, NotationError};

/// What a text makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// A plan document.
    Plan,
    /// A GLB.
    Gltf,
}

/// A joint, with the faults of its bind frame applied.
#[derive(Debug, Clone)]
pub(super) struct JointLine {
    pub(super) name: String,
    pub(super) origin: DVec3,
    pub(super) tip: Option<DVec3>,
    pub(super) parent: Option<usize>,
    /// A parent that no joint has.
    pub(super) asked: Option<String>,
    pub(super) undecided: bool,
    /// World orientation at bind.
    pub(super) turn: DQuat,
    pub(super) oriented: bool,
    pub(super) factor: f64,
    pub(super) role: Option<String>,
}

#[derive(Debug, Clone)]
pub(super) struct PartLine {
    pub(super) name: String,
    pub(super) kind: String,
    pub(super) side: Option<String>,
    pub(super) joints: Vec<usize>,
    pub(super) asymmetric: bool,
}

#[derive(Debug, Clone)]
pub(super) struct PieceLine {
    pub(super) name: String,
    pub(super) by: usize,
    pub(super) at: Option<DVec3>,
}

#[derive(Debug, Clone)]
pub(super) struct ClipLine {
    pub(super) name: String,
    pub(super) rotate: bool,
    pub(super) joint: usize,
    pub(super) values: Vec<f64>,
}

/// A fault that the GLB writer plants.
#[derive(Debug, Clone)]
pub(super) enum Fault {
    Lengthen(usize, f64),
    Pose(usize, DQuat),
    Unweight(usize),
    NanWeights(usize),
    ScaleWeights(usize, f64),
    JointIndex { vertex: usize, index: u16, slot: usize },
    OffScene(usize),
}

/// A text, read.
#[derive(Debug)]
pub(super) struct Scene {
    pub(super) form: Form,
    pub(super) joints: Vec<JointLine>,
    pub(super) parts: Vec<PartLine>,
    pub(super) pieces: Vec<PieceLine>,
    pub(super) clips: Vec<ClipLine>,
    pub(super) roots: Option<Vec<usize>>,
    pub(super) axes: Option<(String, String)>,
    pub(super) radius: Option<f64>,
    pub(super) stage: bool,
    pub(super) faults: Vec<Fault>,
    pub(super) expected: Vec<Expectation>,
}

impl Scene {
    /// The joints that hang from this one.
    pub(super) fn children(&self, joint: usize) -> impl Iterator<Item = usize> {
        self.joints.iter().enumerate().filter(move |(_, j)| j.parent == Some(joint)).map(|(index, _)| index)
    }

    /// Where the segment of this joint ends: its tip, or its only child.
    fn end(&self, joint: usize) -> Option<DVec3> {
        self.joints[joint].tip.or_else(|| {
            let mut children = self.children(joint);
            let only = children.next().filter(|_| children.next().is_none())?;
            Some(self.joints[only].origin)
        })
    }
}

struct Words<'t> {
    line: usize,
    words: Peekable<SplitWhitespace<'t>>,
}

impl<'t> Words<'t> {
    fn fail<T>(&self, message: impl Into<String>) -> Result<T, NotationError> {
        Err(NotationError { line: self.line, message: message.into() })
    }

    fn word(&mut self, what: &str) -> Result<&'t str, NotationError> {
        match self.words.next() {
            Some(word) => Ok(word),
            None => self.fail(format!("{what} is missing")),
        }
    }

    fn parsed<T: std::str::FromStr>(&mut self, what: &str) -> Result<T, NotationError> {
        let word = self.word(what)?;
        word.parse().or_else(|_| self.fail(format!("{word} is no {what}")))
    }

    fn number(&mut self) -> Result<f64, NotationError> {
        self.parsed("number")
    }

    fn point(&mut self) -> Result<DVec3, NotationError> {
        Ok(DVec3::new(self.number()?, self.number()?, self.number()?))
    }

    fn skip(&mut self, word: &str) -> bool {
        self.words.next_if_eq(&word).is_some()
    }

    fn must(&mut self, word: &str) -> Result<(), NotationError> {
        if self.skip(word) { Ok(()) } else { self.fail(format!("{word} is missing")) }
    }

    fn turn(&mut self) -> Result<DQuat, NotationError> {
        let axis = match self.word("an axis")? {
            "X" => DVec3::X,
            "Y" => DVec3::Y,
            "Z" => DVec3::Z,
            other => return self.fail(format!("{other} is no axis (X, Y, Z)")),
        };
        Ok(DQuat::from_axis_angle(axis, self.number()?.to_radians()))
    }

    fn joint(&mut self, scene: &Scene) -> Result<usize, NotationError> {
        let word = self.word("a joint")?;
        match scene.joints.iter().position(|j| j.name == word) {
            Some(index) => Ok(index),
            None => self.fail(format!("no joint line before this one is called {word}")),
        }
    }

    fn rest(&mut self, scene: &Scene) -> Result<Vec<usize>, NotationError> {
        let mut list = Vec::new();
        while self.words.peek().is_some_and(|word| *word != "asymmetric") {
            list.push(self.joint(scene)?);
        }
        Ok(list)
    }

    fn end(&mut self) -> Result<(), NotationError> {
        match self.words.next() {
            None => Ok(()),
            Some(word) => self.fail(format!("{word} has no place here")),
        }
    }
}

/// What a line's expectations are about.
enum About {
    Nothing,
    Rig,
    Pointers(Vec<String>),
}

pub(super) fn parse(text: &str) -> Result<Scene, NotationError> {
    let mut scene = Scene {
        form: Form::Plan,
        joints: Vec::new(),
        parts: Vec::new(),
        pieces: Vec::new(),
        clips: Vec::new(),
        roots: None,
        axes: None,
        radius: None,
        stage: false,
        faults: Vec::new(),
        expected: Vec::new(),
    };
    // Parents may be named before their own line.
    let mut parents: Vec<Option<String>> = Vec::new();
    let mut turns: Vec<DQuat> = Vec::new();
    let mut mutations: Vec<(usize, &str)> = Vec::new();
    let (mut frames, mut begun, mut body) = (false, false, 0);
    for (index, whole) in text.lines().enumerate() {
        let line = index + 1;
        let (content, comment) = whole.split_once('#').unwrap_or((whole, ""));
        let mut words = Words { line, words: content.split_whitespace().peekable() };
        let Some(first) = words.words.next() else { continue };
        if !begun {
            scene.form = match first {
                "plan" => Form::Plan,
                "gltf" => Form::Gltf,
                _ => return words.fail("the first line says plan or gltf"),
            };
            begun = true;
            words.end()?;
            expect(&mut scene, line, comment, About::Rig)?;
            continue;
        }
        let mut about = About::Nothing;
        match first {
            "joint" => {
                let number = scene.joints.len();
                let (parent, turn) = joint(&mut words, &mut scene)?;
                parents.push(parent);
                turns.push(turn);
                let list = if scene.form == Form::Plan { "joints" } else { "nodes" };
                about = About::Pointers(vec![format!("/{list}/{number}")]);
            }
            "part" => {
                about = About::Pointers(vec![format!("/parts/{}", scene.parts.len())]);
                part(&mut words, &mut scene)?;
            }
            "piece" => {
                about = About::Pointers(vec![format!("/pieces/{}", scene.pieces.len())]);
                let name = words.word("a name")?.to_owned();
                words.must("by")?;
                let by = words.joint(&scene)?;
                let at = if words.skip("at") { Some(words.point()?) } else { None };
                scene.pieces.push(PieceLine { name, by, at });
            }
            "roots" => scene.roots = Some(words.rest(&scene)?),
            "axes" => {
                let (long, bend) = (words.word("the long axis")?, words.word("the bend axis")?);
                scene.axes = Some((long.to_owned(), bend.to_owned()));
            }
            "frames" => frames = true,
            "stage" => scene.stage = true,
            "body" => {
                words.must("tubes")?;
                words.must("radius")?;
                scene.radius = Some(words.number()?);
                body = line;
                about = About::Pointers(vec!["/meshes/0".into(), "/skins/0".into()]);
            }
            "clip" => {
                about = About::Pointers(vec![format!("/animations/{}", scene.clips.len())]);
                let name = words.word("a name")?.to_owned();
                let rotate = match words.word("rotate or translate")? {
                    "rotate" => true,
                    "translate" => false,
                    other => return words.fail(format!("{other} is neither rotate nor translate")),
                };
                let joint = words.joint(&scene)?;
                let mut values = Vec::new();
                while words.words.peek().is_some() {
                    values.push(words.number()?);
                }
                if values.is_empty() {
                    return words.fail("a clip has at least one value");
                }
                scene.clips.push(ClipLine { name, rotate, joint, values });
            }
            "mutate" => {
                mutations.push((line, content));
                words.words.by_ref().for_each(drop);
            }
            other => return words.fail(format!("there is no line that starts with {other}")),
        }
        words.end()?;
        expect(&mut scene, line, comment, about)?;
    }
    if !begun {
        return Err(NotationError { line: 1, message: "the first line says plan or gltf".into() });
    }
    for (index, parent) in parents.into_iter().enumerate() {
        let Some(parent) = parent else { continue };
        scene.joints[index].parent = scene.joints.iter().position(|j| j.name == parent);
        if scene.joints[index].parent.is_none() {
            scene.joints[index].asked = Some(parent);
        }
    }
    let segment = |joint: &JointLine| joint.tip.is_some() || joint.parent.is_some();
    if scene.radius.is_some() && !scene.joints.iter().any(segment) {
        return Err(NotationError { line: body, message: "a body needs a segment to be around".into() });
    }
    if frames {
        orient(&mut scene);
    }
    for (joint, turn) in scene.joints.iter_mut().zip(turns) {
        joint.oriented |= turn != DQuat::IDENTITY;
        joint.turn *= turn;
    }
    // Names in a fault are those of the joint lines: renaming comes last.
    let mut renames = Vec::new();
    for (line, content) in mutations {
        let mut words = Words { line, words: content.split_whitespace().peekable() };
        words.must("mutate")?;
        mutate(&mut words, &mut scene, &mut renames)?;
        words.end()?;
    }
    for (joint, name) in renames {
        scene.joints[joint].name = name;
    }
    Ok(scene)
}

fn joint(words: &mut Words<'_>, scene: &mut Scene) -> Result<(Option<String>, DQuat), NotationError> {
    let name = words.word("a name")?.to_owned();
    words.must("at")?;
    let mut joint = JointLine {
        name,
        origin: words.point()?,
        tip: None,
        parent: None,
        asked: None,
        undecided: false,
        turn: DQuat::IDENTITY,
        oriented: false,
        factor: 1.0,
        role: None,
    };
    let mut parent = scene.joints.last().map(|last| last.name.clone());
    let mut turn = DQuat::IDENTITY;
    while let Some(word) = words.words.next() {
        match word {
            "tip" => joint.tip = Some(words.point()?),
            "turn" => turn *= words.turn()?,
            "role" => joint.role = Some(words.word("a role")?.to_owned()),
            "parent" => {
                parent = match words.word("a parent")? {
                    "none" => None,
                    "undecided" => {
                        joint.undecided = true;
                        None
                    }
                    name => Some(name.to_owned()),
                }
            }
            other => return words.fail(format!("{other} says nothing about a joint")),
        }
    }
    scene.joints.push(joint);
    Ok((parent, turn))
}

fn part(words: &mut Words<'_>, scene: &mut Scene) -> Result<(), NotationError> {
    let name = words.word("a name")?.to_owned();
    words.must("kind")?;
    let kind = words.word("a kind")?.to_owned();
    let side = if words.skip("side") { Some(words.word("a side")?.to_owned()) } else { None };
    words.must("joints")?;
    let joints = words.rest(scene)?;
    let asymmetric = words.skip("asymmetric");
    scene.parts.push(PartLine { name, kind, side, joints, asymmetric });
    Ok(())
}

fn expect(scene: &mut Scene, line: usize, comment: &str, about: About) -> Result<(), NotationError> {
    let Some(list) = comment.trim().strip_prefix("expect:") else { return Ok(()) };
    let pointers = match about {
        About::Rig => Vec::new(),
        About::Pointers(pointers) => pointers,
        About::Nothing => {
            return Err(NotationError { line, message: "nothing can be found on this line".into() });
        }
    };
    for one in list.split(',') {
        let mut words = one.split_whitespace();
        let check = words.next().unwrap_or_default().to_owned();
        let severity = words.next().map(str::to_owned);
        if let Some(word) = words.next() {
            return Err(NotationError { line, message: format!("{word} has no place here") });
        }
        scene.expected.push(Expectation { check, severity, line, pointers: pointers.clone() });
    }
    Ok(())
}

/// Every +Y to the joint's end, with the least rotation against the parent's frame.
fn orient(scene: &mut Scene) {
    let mut done = vec![false; scene.joints.len()];
    // A joint's parent may have its line below; a loop of parents is never reached.
    for _ in 0..scene.joints.len() {
        for index in 0..scene.joints.len() {
            let parent = scene.joints[index].parent;
            if done[index] || parent.is_some_and(|up| !done[up]) {
                continue;
            }
            let origin = scene.joints[index].origin;
            let above = parent.map_or(DQuat::IDENTITY, |up| scene.joints[up].turn);
            let along = scene.end(index).and_then(|end| (end - origin).try_normalize());
            let turn = along.map_or(above, |along| least(above * DVec3::Y, along) * above);
            let joint = &mut scene.joints[index];
            (joint.turn, joint.oriented) = (turn.normalize(), true);
            done[index] = true;
        }
    }
}

/// The least rotation from one unit vector to another; a half turn goes about X, which a mirrored limb does too.
fn least(from: DVec3, to: DVec3) -> DQuat {
    if from.dot(to) < -1.0 + 1e-9 {
        let side = (DVec3::X - from * from.x).try_normalize().unwrap_or(DVec3::Z);
        return DQuat::from_axis_angle(side, std::f64::consts::PI);
    }
    DQuat::from_rotation_arc(from, to)
}

fn mutate(
    words: &mut Words<'_>,
    scene: &mut Scene,
    renames: &mut Vec<(usize, String)>,
) -> Result<(), NotationError> {
    let kind = words.word("a fault")?;
    let plain = matches!(kind, "twist" | "move" | "rename" | "quaternion");
    if !plain && scene.form == Form::Plan {
        return words.fail(format!("a plan has nothing for {kind}"));
    }
    match kind {
        "twist" => {
            let (joint, degrees) = (words.joint(scene)?, words.number()?);
            let axis = match scene.axes.as_ref().map_or("+y", |(long, _)| long.as_str()) {
                "+x" | "-x" => DVec3::X,
                "+z" | "-z" => DVec3::Z,
                _ => DVec3::Y,
            };
            scene.joints[joint].turn *= DQuat::from_axis_angle(axis, degrees.to_radians());
            scene.joints[joint].oriented = true;
        }
        "move" => {
            let (joint, by) = (words.joint(scene)?, words.point()?);
            scene.joints[joint].origin += by;
        }
        "rename" => renames.push((words.joint(scene)?, words.word("a name")?.to_owned())),
        "quaternion" => {
            let (joint, factor) = (words.joint(scene)?, words.number()?);
            (scene.joints[joint].factor, scene.joints[joint].oriented) = (factor, true);
        }
        "lengthen" => scene.faults.push(Fault::Lengthen(words.joint(scene)?, words.number()?)),
        "pose" => scene.faults.push(Fault::Pose(words.joint(scene)?, words.turn()?)),
        "unweight" => scene.faults.push(Fault::Unweight(words.parsed("count")?)),
        "nan-weights" => scene.faults.push(Fault::NanWeights(words.parsed("count")?)),
        "scale-weights" => {
            scene.faults.push(Fault::ScaleWeights(words.parsed("count")?, words.number()?));
        }
        "joint-index" => {
            let (vertex, index) = (words.parsed("vertex")?, words.parsed("index")?);
            let slot: usize = if words.words.peek().is_some() { words.parsed("slot")? } else { 0 };
            if slot > 3 {
                return words.fail("a vertex has slots 0 to 3");
            }
            scene.faults.push(Fault::JointIndex { vertex, index, slot });
        }
        "off-scene" => scene.faults.push(Fault::OffScene(words.joint(scene)?)),
        other => return words.fail(format!("there is no fault called {other}")),
    }
    Ok(())
}
