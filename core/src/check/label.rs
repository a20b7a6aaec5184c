//! Names for findings: stable across revisions, unique within a rig, and pointers to the document.

use std::collections::BTreeMap;

use super::{WaiverPlace, WaiverUse};
use crate::finding::Subject;
use crate::model::{JointId, Parent, Rig, Source};
use crate::report::SubjectRef;

/// The names of everything a finding can be about, computed once.
#[derive(Debug)]
pub struct Labels {
    joints: Vec<String>,
    joint_pointers: Vec<String>,
    nodes: Vec<String>,
    meshes: Vec<String>,
    skins: Vec<String>,
    clips: Vec<String>,
    parts: Vec<String>,
    pieces: Vec<String>,
    groups: Vec<String>,
    /// Name and pointer of each waiver.
    waivers: Vec<(String, String)>,
    asset: String,
    document: Option<&'static str>,
}

impl Labels {
    /// Names everything in `rig`.
    pub fn new(rig: &Rig) -> Self {
        let joint_names: Vec<Option<&str>> = rig.joints.iter().map(|j| j.name.as_deref()).collect();
        let joint_parents: Vec<Option<usize>> = rig
            .joints
            .iter()
            .map(|j| if let Parent::Joint(p) = j.parent { Some(p.index()) } else { None })
            .collect();
        let node_names: Vec<Option<&str>> = rig.nodes.iter().map(|n| n.name.as_deref()).collect();
        let node_parents: Vec<Option<usize>> =
            rig.nodes.iter().map(|n| n.parent.map(|p| p.index())).collect();
        let joint_pointers = rig
            .joints
            .iter()
            .enumerate()
            .map(|(index, joint)| match joint.node {
                Some(node) => format!("/nodes/{}", node.0),
                None => format!("/joints/{index}"),
            })
            .collect();
        Self {
            joints: unique(&joint_names, &joint_parents, "joint"),
            joint_pointers,
            nodes: unique(&node_names, &node_parents, "node"),
            meshes: flat(rig.meshes.iter().map(|m| m.name.as_deref()), "mesh"),
            skins: flat(rig.skins.iter().map(|s| s.name.as_deref()), "skin"),
            clips: flat(rig.clips.iter().map(|c| c.name.as_deref()), "clip"),
            parts: flat(rig.parts.iter().map(|p| Some(p.name.as_str())), "part"),
            pieces: flat(rig.pieces.iter().map(|p| Some(p.name.as_str())), "piece"),
            groups: flat(rig.groups.iter().map(|g| Some(g.name.as_str())), "group"),
            waivers: Vec::new(),
            asset: match (&rig.asset, rig.source) {
                (Some(name), Source::Plan) => name.clone(),
                _ => "rig".to_owned(),
            },
            document: None,
        }
    }

    /// Names everything in the body of a plan; pointers say that they go into the body.
    pub fn of_body(rig: &Rig) -> Self {
        Self { document: Some("body"), ..Self::new(rig) }
    }

    /// Names waivers too, by what they say: their order means nothing.
    pub(super) fn with_waivers(mut self, waivers: &[WaiverUse]) -> Self {
        let named = waivers.iter().map(|one| {
            let pointer = match &one.waiver.place {
                WaiverPlace::Inside { pointer, .. } => pointer.clone(),
                WaiverPlace::Beside | WaiverPlace::Shared => String::new(),
            };
            (one.waiver.title(), pointer)
        });
        self.waivers = named.collect();
        self
    }

    /// A joint's name.
    pub fn joint(&self, joint: JointId) -> &str {
        self.joints.get(joint.index()).map_or("?", String::as_str)
    }

    /// A joint's pointer into the document.
    pub fn pointer(&self, joint: JointId) -> &str {
        self.joint_pointers.get(joint.index()).map_or("", String::as_str)
    }

    /// The name of any subject.
    pub fn name(&self, subject: &Subject) -> String {
        let at = |list: &Vec<String>, index: u32| list.get(index as usize).cloned().unwrap_or_default();
        match subject {
            Subject::Rig => self.asset.clone(),
            Subject::Joint(j) | Subject::Segment(j) => self.joint(*j).to_owned(),
            Subject::Chain(joints) => {
                let ends = (joints.first(), joints.last());
                match ends {
                    (Some(a), Some(b)) => format!("{}…{}", self.joint(*a), self.joint(*b)),
                    _ => String::new(),
                }
            }
            Subject::Pair(a, b) => format!("{} & {}", self.joint(*a), self.joint(*b)),
            Subject::Part(p) => at(&self.parts, p.0),
            Subject::Mesh(m) => at(&self.meshes, m.0),
            Subject::Primitive(m, p) | Subject::Vertices(m, p) => format!("{}[{p}]", at(&self.meshes, m.0)),
            Subject::Skin(s) => at(&self.skins, s.0),
            Subject::Clip(c) => at(&self.clips, c.0),
            Subject::Channel(c, n) => format!("{}[{n}]", at(&self.clips, c.0)),
            Subject::Node(n) => at(&self.nodes, n.0),
            Subject::Piece(p) => at(&self.pieces, *p),
            Subject::Group(g) => at(&self.groups, *g),
            Subject::Foot(f) => format!("foot {f}"),
            Subject::Waiver(w) => {
                self.waivers.get(*w as usize).map_or_else(|| format!("waiver {w}"), |(name, _)| name.clone())
            }
        }
    }

    /// The wire form of a subject.
    pub fn refer(&self, subject: &Subject) -> SubjectRef {
        let (kind, pointer) = match subject {
            Subject::Rig => ("rig", String::new()),
            Subject::Joint(j) => ("joint", self.pointer(*j).to_owned()),
            Subject::Segment(j) => ("segment", self.pointer(*j).to_owned()),
            Subject::Part(p) => ("part", format!("/parts/{}", p.0)),
            Subject::Chain(c) => ("chain", c.first().map_or("", |j| self.pointer(*j)).to_owned()),
            Subject::Pair(a, _) => ("pair", self.pointer(*a).to_owned()),
            Subject::Mesh(m) => ("mesh", format!("/meshes/{}", m.0)),
            Subject::Primitive(m, p) => ("primitive", format!("/meshes/{}/primitives/{p}", m.0)),
            Subject::Vertices(m, p) => ("vertices", format!("/meshes/{}/primitives/{p}", m.0)),
            Subject::Skin(s) => ("skin", format!("/skins/{}", s.0)),
            Subject::Clip(c) => ("clip", format!("/animations/{}", c.0)),
            Subject::Channel(c, n) => ("channel", format!("/animations/{}/channels/{n}", c.0)),
            Subject::Node(n) => ("node", format!("/nodes/{}", n.0)),
            Subject::Piece(p) => ("piece", format!("/pieces/{p}")),
            Subject::Foot(f) => ("foot", format!("/feet/{f}")),
            Subject::Group(g) => ("group", format!("/groups/{g}")),
            Subject::Waiver(w) => {
                ("waiver", self.waivers.get(*w as usize).map_or_else(String::new, |(_, at)| at.clone()))
            }
        };
        let document = self.document.map(str::to_owned);
        SubjectRef { kind: kind.to_owned(), name: self.name(subject), pointer, document }
    }
}

/// Characters of a name within a path.
const LONGEST_STEP: usize = 48;
/// Steps of a path, counted from the joint up.
const MOST_STEPS: usize = 16;

/// Unique names for a forest: the name itself where it is unique, else the path of names from the root, else that
/// path with an ordinal among equals. A parent loop ends the path.
fn unique(names: &[Option<&str>], parents: &[Option<usize>], what: &str) -> Vec<String> {
    let mut seen: BTreeMap<&str, u32> = BTreeMap::new();
    for name in names.iter().flatten() {
        *seen.entry(name).or_default() += 1;
    }
    let mut used: BTreeMap<String, u32> = BTreeMap::new();
    // Paths are cut in length and depth: a file may give one long name to every node of a deep tree.
    let step = |index: usize| -> String {
        let name = names[index].filter(|n| !n.is_empty());
        name.map_or_else(|| format!("({what})"), |name| name.chars().take(LONGEST_STEP).collect())
    };
    names
        .iter()
        .enumerate()
        .map(|(index, name)| {
            if let Some(name) = name
                && !name.is_empty()
                && seen.get(name) == Some(&1)
            {
                return (*name).to_owned();
            }
            let mut path = vec![step(index)];
            let mut at = parents[index];
            while let Some(parent) = at
                && path.len() < MOST_STEPS
                && parent != index
            {
                path.push(step(parent));
                at = parents[parent];
            }
            path.reverse();
            let path = path.join("/");
            let count = used.entry(path.clone()).or_default();
            *count += 1;
            if *count == 1 { path } else { format!("{path}#{count}") }
        })
        .collect()
}

fn flat<'a>(names: impl Iterator<Item = Option<&'a str>>, what: &str) -> Vec<String> {
    let names: Vec<Option<&str>> = names.collect();
    let parents = vec![None; names.len()];
    unique(&names, &parents, what)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_names_become_paths_and_equal_paths_get_ordinals() {
        let names = [Some("hips"), Some("toe"), Some("toe"), None, Some("toe")];
        let parents = [None, Some(0), Some(0), Some(0), Some(3)];
        assert_eq!(
            unique(&names, &parents, "joint"),
            ["hips", "hips/toe", "hips/toe#2", "hips/(joint)", "hips/(joint)/toe"]
        );
    }
}
