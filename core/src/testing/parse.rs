//! Reading the notation, and the faults that change joints.

use std::iter::Peekable;
use std::str::SplitWhitespace;

use glam::{DQuat, DVec3};

use super::fault::fault;
use super::mutation::Mutation;
use super::notation::{Expectation, NotationError};
use crate::export::{ScenePath, Storage, WeightType};
use crate::model::Interpolation;

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
    pub(super) role: Option<String>,
    /// The range about the bend axis, degrees.
    pub(super) bend: Option<[f64; 2]>,
}

#[derive(Debug, Clone)]
pub(super) struct PartLine {
    pub(super) name: String,
    pub(super) kind: Option<String>,
    pub(super) side: Option<String>,
    /// Names as written: a plan may name a joint that it does not have.
    pub(super) joints: Vec<String>,
    pub(super) asymmetric: bool,
    pub(super) stylised: bool,
    /// It starts at its parent's tip.
    pub(super) joined: bool,
}

#[derive(Debug, Clone)]
pub(super) struct FootLine {
    pub(super) part: String,
    pub(super) contact: DVec3,
    pub(super) rocking: Option<[DVec3; 2]>,
}

#[derive(Debug, Clone)]
pub(super) struct GroupLine {
    pub(super) name: String,
    pub(super) joints: Vec<String>,
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
    pub(super) interpolation: Interpolation,
    pub(super) path: ScenePath,
    pub(super) joint: usize,
    pub(super) values: Vec<f64>,
}

#[derive(Debug, Clone)]
pub(super) struct BodyLine {
    pub(super) radius: f64,
    /// One run of rings along its joints, instead of a tube for each.
    pub(super) hose: bool,
    pub(super) rings: u32,
    pub(super) sides: u32,
    /// The joints of its skin.
    pub(super) joints: Vec<usize>,
    /// The joint that the skinned mesh hangs from.
    pub(super) under: Option<usize>,
}

/// A text, read.
#[derive(Debug, Clone)]
pub(super) struct Text {
    pub(super) form: Form,
    pub(super) joints: Vec<JointLine>,
    pub(super) parts: Vec<PartLine>,
    pub(super) pieces: Vec<PieceLine>,
    pub(super) feet: Vec<FootLine>,
    pub(super) clips: Vec<ClipLine>,
    pub(super) groups: Vec<GroupLine>,
    pub(super) roots: Option<Vec<String>>,
    pub(super) axes: Option<(String, String)>,
    pub(super) bodies: Vec<BodyLine>,
    /// Metres per unit of a plan.
    pub(super) units: f64,
    pub(super) asset: String,
    /// The built-in profile that judges it.
    pub(super) profile: Option<String>,
    /// A glTF is written this many times as large, under a stage that makes it small again.
    pub(super) enlarge: f64,
    pub(super) stage: bool,
    pub(super) storage: Storage,
    /// Waivers of a plan: check, subject, last day.
    pub(super) waivers: Vec<[Option<String>; 3]>,
    /// Joints that carry a camera.
    pub(super) cameras: Vec<usize>,
    /// Bones of a VRM 1.0 humanoid, and their joints.
    pub(super) humanoid: Vec<(String, usize)>,
    /// Faults, each with its line.
    pub(super) faults: Vec<(usize, Mutation)>,
    pub(super) expected: Vec<Expectation>,
}

impl Text {
    /// The joints that hang from this one.
    pub(super) fn children(&self, joint: usize) -> impl Iterator<Item = usize> {
        self.joints.iter().enumerate().filter(move |(_, j)| j.parent == Some(joint)).map(|(index, _)| index)
    }

    /// The same text, `enlarge` times as large.
    pub(super) fn enlarged(&self) -> Self {
        let mut out = self.clone();
        for joint in &mut out.joints {
            joint.origin *= self.enlarge;
            joint.tip = joint.tip.map(|tip| tip * self.enlarge);
        }
        for piece in &mut out.pieces {
            piece.at = piece.at.map(|at| at * self.enlarge);
        }
        out
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

pub(super) struct Words<'t> {
    line: usize,
    pub(super) words: Peekable<SplitWhitespace<'t>>,
}

impl<'t> Words<'t> {
    pub(super) fn fail<T>(&self, message: impl Into<String>) -> Result<T, NotationError> {
        Err(NotationError { line: self.line, message: message.into() })
    }

    pub(super) fn word(&mut self, what: &str) -> Result<&'t str, NotationError> {
        match self.words.next() {
            Some(word) => Ok(word),
            None => self.fail(format!("{what} is missing")),
        }
    }

    pub(super) fn parsed<T: std::str::FromStr>(&mut self, what: &str) -> Result<T, NotationError> {
        let word = self.word(what)?;
        word.parse().or_else(|_| self.fail(format!("{word} is no {what}")))
    }

    pub(super) fn number(&mut self) -> Result<f64, NotationError> {
        self.parsed("number")
    }

    fn size(&mut self) -> Result<f64, NotationError> {
        let number = self.number()?;
        if number > 0.0 && number.is_finite() { Ok(number) } else { self.fail("a size is more than nothing") }
    }

    pub(super) fn point(&mut self) -> Result<DVec3, NotationError> {
        Ok(DVec3::new(self.number()?, self.number()?, self.number()?))
    }

    pub(super) fn skip(&mut self, word: &str) -> bool {
        self.words.next_if_eq(&word).is_some()
    }

    pub(super) fn must(&mut self, word: &str) -> Result<(), NotationError> {
        if self.skip(word) { Ok(()) } else { self.fail(format!("{word} is missing")) }
    }

    pub(super) fn turn(&mut self) -> Result<DQuat, NotationError> {
        let axis = match self.word("an axis")? {
            "X" => DVec3::X,
            "Y" => DVec3::Y,
            "Z" => DVec3::Z,
            other => return self.fail(format!("{other} is no axis (X, Y, Z)")),
        };
        Ok(DQuat::from_axis_angle(axis, self.number()?.to_radians()))
    }

    pub(super) fn joint(&mut self, scene: &Text) -> Result<usize, NotationError> {
        let word = self.word("a joint")?;
        match scene.joints.iter().position(|j| j.name == word) {
            Some(index) => Ok(index),
            None => self.fail(format!("no joint line before this one is called {word}")),
        }
    }

    fn rest(&mut self, scene: &Text) -> Result<Vec<usize>, NotationError> {
        let mut list = Vec::new();
        while self.words.peek().is_some_and(|word| !FLAGS.contains(word)) {
            list.push(self.joint(scene)?);
        }
        Ok(list)
    }

    /// The rest of the line as names, whether joints are called so or not.
    fn names(&mut self) -> Vec<String> {
        let mut list = Vec::new();
        while let Some(word) = self.words.next_if(|word| !FLAGS.contains(word)) {
            list.push(word.to_owned());
        }
        list
    }

    fn end(&mut self) -> Result<(), NotationError> {
        match self.words.next() {
            None => Ok(()),
            Some(word) => self.fail(format!("{word} has no place here")),
        }
    }
}

/// Words that end a list of joints.
const FLAGS: [&str; 3] = ["asymmetric", "stylised", "joined"];

/// What a line's expectations are about.
enum About {
    Nothing,
    Rig,
    Pointers(Vec<String>),
}

pub(super) fn parse(text: &str) -> Result<Text, NotationError> {
    let mut scene = Text {
        form: Form::Plan,
        joints: Vec::new(),
        parts: Vec::new(),
        pieces: Vec::new(),
        feet: Vec::new(),
        clips: Vec::new(),
        groups: Vec::new(),
        roots: None,
        axes: None,
        bodies: Vec::new(),
        units: 1.0,
        asset: "example".to_owned(),
        profile: None,
        enlarge: 1.0,
        stage: false,
        storage: Storage::default(),
        waivers: Vec::new(),
        cameras: Vec::new(),
        humanoid: Vec::new(),
        faults: Vec::new(),
        expected: Vec::new(),
    };
    // Parents may be named before their own line.
    let mut parents: Vec<Option<String>> = Vec::new();
    let mut turns: Vec<DQuat> = Vec::new();
    let mut mutations: Vec<(usize, &str)> = Vec::new();
    let (mut frames, mut begun, mut bodies) = (false, false, Vec::new());
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
            "group" => {
                about = About::Pointers(vec![format!("/groups/{}", scene.groups.len())]);
                let name = words.word("a name")?.to_owned();
                words.must("joints")?;
                scene.groups.push(GroupLine { name, joints: words.names() });
            }
            "foot" => {
                about = About::Pointers(vec![format!("/feet/{}", scene.feet.len())]);
                let part = words.word("a part")?.to_owned();
                words.must("at")?;
                let contact = words.point()?;
                let rocking =
                    if words.skip("rocking") { Some([words.point()?, words.point()?]) } else { None };
                scene.feet.push(FootLine { part, contact, rocking });
            }
            "roots" => scene.roots = Some(words.names()),
            "camera" => {
                about = About::Pointers(vec![format!("{CAMERA}{}", scene.cameras.len())]);
                let joint = words.joint(&scene)?;
                scene.cameras.push(joint);
            }
            "humanoid" => {
                while words.words.peek().is_some() {
                    let bone = words.word("a bone")?.to_owned();
                    let joint = words.joint(&scene)?;
                    scene.humanoid.push((bone, joint));
                }
            }
            "axes" => {
                let (long, bend) = (words.word("the long axis")?, words.word("the bend axis")?);
                scene.axes = Some((long.to_owned(), bend.to_owned()));
            }
            "asset" => words.word("a name")?.clone_into(&mut scene.asset),
            "profile" => scene.profile = Some(words.word("a name")?.to_owned()),
            "units" => scene.units = words.size()?,
            "bind" => {
                words.must("scale")?;
                (scene.enlarge, scene.stage) = (words.size()?, true);
            }
            "waiver" => {
                if scene.form != Form::Plan {
                    return words.fail("only a plan has a line for waivers");
                }
                about = About::Pointers(vec![format!("/waivers/{}", scene.waivers.len())]);
                let check = words.word("a check")?.to_owned();
                let subject = words.words.next_if(|word| *word != "until").map(str::to_owned);
                let until = if words.skip("until") { Some(words.word("a day")?.to_owned()) } else { None };
                scene.waivers.push([Some(check), subject, until]);
            }
            "frames" => frames = true,
            "stage" => scene.stage = true,
            "weights" => {
                scene.storage.weights = match words.word("a storage")? {
                    "unorm8" => WeightType::Unorm8,
                    "unorm16" => WeightType::Unorm16,
                    other => return words.fail(format!("{other} is neither unorm8 nor unorm16")),
                }
            }
            "body" => {
                let number = scene.bodies.len();
                let found = body(&mut words, &scene)?;
                bodies.push(line);
                scene.bodies.push(found);
                about = About::Pointers(vec![
                    format!("/meshes/{number}"),
                    format!("/skins/{number}"),
                    format!("{BODY}{number}"),
                ]);
            }
            "clip" => {
                let name = words.word("a name")?.to_owned();
                let mut names: Vec<&str> = scene.clips.iter().map(|clip| clip.name.as_str()).collect();
                names.dedup();
                let number = names.iter().position(|known| *known == name).unwrap_or(names.len());
                about = About::Pointers(vec![format!("/animations/{number}")]);
                let interpolation = match () {
                    () if words.skip("step") => Interpolation::Step,
                    () if words.skip("cubic") => Interpolation::CubicSpline,
                    () => Interpolation::Linear,
                };
                let path = match words.word("rotate, translate or scale")? {
                    "rotate" => ScenePath::Rotation,
                    "translate" => ScenePath::Translation,
                    "scale" => ScenePath::Scale,
                    other => {
                        return words.fail(format!("{other} is neither rotate nor translate nor scale"));
                    }
                };
                let joint = words.joint(&scene)?;
                let mut values = Vec::new();
                while words.words.peek().is_some() {
                    values.push(words.number()?);
                }
                if values.is_empty() {
                    return words.fail("a clip has at least one value");
                }
                scene.clips.push(ClipLine { name, interpolation, path, joint, values });
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
    let every: Vec<usize> = (0..scene.joints.len()).collect();
    for (line, body) in bodies.into_iter().zip(&mut scene.bodies) {
        if body.joints.is_empty() {
            body.joints.clone_from(&every);
        }
        let segment =
            |joint: &usize| scene.joints[*joint].tip.is_some() || scene.joints[*joint].parent.is_some();
        if !body.joints.iter().any(segment) {
            return Err(NotationError { line, message: "a body needs a segment to be around".into() });
        }
    }
    if frames {
        orient(&mut scene);
    }
    for (joint, turn) in scene.joints.iter_mut().zip(turns) {
        joint.oriented |= turn != DQuat::IDENTITY;
        joint.turn *= turn;
    }
    place_nodes(&mut scene);
    for (line, content) in mutations {
        let mut words = Words { line, words: content.split_whitespace().peekable() };
        words.must("mutate")?;
        let fault = fault(&mut words, &scene)?;
        words.end()?;
        scene.faults.push((line, fault));
    }
    Ok(scene)
}

fn joint(words: &mut Words<'_>, scene: &mut Text) -> Result<(Option<String>, DQuat), NotationError> {
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
        role: None,
        bend: None,
    };
    let mut parent = scene.joints.last().map(|last| last.name.clone());
    let mut turn = DQuat::IDENTITY;
    while let Some(word) = words.words.next() {
        match word {
            "tip" => joint.tip = Some(words.point()?),
            "turn" => turn *= words.turn()?,
            "bend" => joint.bend = Some([words.number()?, words.number()?]),
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

/// Stand-ins for nodes whose number is known when all lines are.
const BODY: &str = "body ";
const CAMERA: &str = "camera ";

/// Nodes are written in this order: joints, end markers, bodies, pieces, the stage, cameras.
fn place_nodes(scene: &mut Text) {
    let joints = scene.joints.len();
    let ends = |joint: usize| scene.joints[joint].tip.is_some() && scene.children(joint).next().is_none();
    let bodies = joints + (0..joints).filter(|joint| ends(*joint)).count();
    let cameras = bodies + scene.bodies.len() + scene.pieces.len() + usize::from(scene.stage);
    for pointer in scene.expected.iter_mut().flat_map(|one| &mut one.pointers) {
        for (stand_in, first) in [(BODY, bodies), (CAMERA, cameras)] {
            if let Some(number) = pointer.strip_prefix(stand_in).and_then(|n| n.parse::<usize>().ok()) {
                *pointer = format!("/nodes/{}", first + number);
            }
        }
    }
}

fn body(words: &mut Words<'_>, scene: &Text) -> Result<BodyLine, NotationError> {
    let hose = words.skip("hose");
    if !hose {
        words.must("tubes")?;
    }
    words.must("radius")?;
    let mut body =
        BodyLine { radius: words.size()?, hose, rings: 4, sides: 8, joints: Vec::new(), under: None };
    while let Some(word) = words.words.next() {
        match word {
            "rings" => body.rings = words.parsed("number of rings")?,
            "sides" => body.sides = words.parsed("number of sides")?,
            "under" => body.under = Some(words.joint(scene)?),
            "joints" => body.joints = words.rest(scene)?,
            other => return words.fail(format!("{other} says nothing about a body")),
        }
    }
    if !(2..=64).contains(&body.rings) || !(3..=64).contains(&body.sides) {
        return words.fail("a tube has 2 to 64 rings and 3 to 64 sides");
    }
    Ok(body)
}

fn part(words: &mut Words<'_>, scene: &mut Text) -> Result<(), NotationError> {
    let name = words.word("a name")?.to_owned();
    let kind = if words.skip("kind") { Some(words.word("a kind")?.to_owned()) } else { None };
    let side = if words.skip("side") { Some(words.word("a side")?.to_owned()) } else { None };
    words.must("joints")?;
    let joints = words.names();
    let mut flags = [false; FLAGS.len()];
    while let Some(word) = words.words.peek()
        && let Some(at) = FLAGS.iter().position(|flag| flag == word)
    {
        flags[at] = true;
        words.words.next();
    }
    let [asymmetric, stylised, joined] = flags;
    scene.parts.push(PartLine { name, kind, side, joints, asymmetric, stylised, joined });
    Ok(())
}

fn expect(scene: &mut Text, line: usize, comment: &str, about: About) -> Result<(), NotationError> {
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
fn orient(scene: &mut Text) {
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
