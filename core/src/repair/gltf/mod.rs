//! Named repairs of a glTF, on one pass' document. Each computes first and writes into the session's state; the state
//! goes into JSON and buffers at the end, so that repairs of one pass compose and none is applied by half.

mod arguments;
mod asset;
mod bind;
mod bound;
mod clips;
mod declared;
mod frames;
mod grid;
mod influences;
mod joints;
mod keys;
mod motion;
mod posed;
mod rows;
mod spread;
mod store;
mod surface;
mod tree;

pub use bound::{Bound, bind_model};
pub use posed::{PosedModel, pose_model};

use std::collections::BTreeMap;

use glam::DMat4;
use serde_json::Value;

use super::container::Container;
use super::document::Document;
use super::pass::Outcome;
use super::touched::{Clash, Touched};
use crate::facts::Facts;
use crate::intake::{Bundle, Intake, Limits};
use crate::model::{Local, NodeId, Rig};
use arguments::Arguments;
use keys::Keys;
use rows::Rows;
use store::Payload;

/// Why a repair did nothing.
pub(super) enum Stop {
    /// It cannot be done, and why: one sentence, lower-case start, no final stop.
    Refused(String),
    /// Another fix of this pass is in the way.
    Clash(Clash),
}

impl From<String> for Stop {
    fn from(reason: String) -> Self {
        Self::Refused(reason)
    }
}

impl From<&str> for Stop {
    fn from(reason: &str) -> Self {
        Self::Refused(reason.to_owned())
    }
}

/// Whether a repair changed anything.
type Done = Result<bool, Stop>;

type Act = fn(&mut Session<'_>, &Arguments<'_>) -> Done;

/// The repairs in the order in which those of one pass are applied: what cleans before what reads, what renumbers last.
const REPAIRS: &[(&str, Act)] = &[
    ("rename", asset::rename),
    ("map-humanoid", declared::map_humanoid),
    ("set-waivers", declared::set_waivers),
    ("normalise-rotation", frames::normalise_rotation),
    ("clamp-weights", influences::clamp),
    ("zero-influences", influences::zero),
    ("merge-influences", influences::merge),
    ("cut-influences", joints::cut),
    ("hand-over", joints::hand_over),
    ("weight-from-neighbours", spread::from_neighbours),
    ("smooth-weights", spread::smooth),
    ("mirror-weights", spread::mirror),
    ("rigid-islands", spread::rigid_islands),
    ("unify-seams", spread::unify_seams),
    ("trim-influences", influences::trim),
    ("renormalise-weights", influences::renormalise),
    ("normalise-keys", clips::normalise),
    ("flip-keys", clips::flip),
    ("bake-scale", frames::bake_scale),
    ("orient", frames::orient),
    ("twist", frames::twist),
    ("mirror-origin", frames::mirror_origin),
    ("move-origin", frames::move_origin),
    ("recompute-bind-matrices", bind::recompute),
    ("restore-rest", bind::restore_rest),
    ("remove-skeleton", bind::remove_skeleton),
    ("reparent", tree::reparent),
    ("move-to-root", tree::move_to_root),
    ("add-twin", asset::add_twin),
    ("remove-joints", joints::remove),
    ("remove-channels", clips::remove),
    ("scale-asset", asset::scale),
    ("turn-asset", asset::turn),
];

/// The place of a repair in a pass.
pub(super) fn rank(name: &str) -> u32 {
    REPAIRS.iter().position(|(known, _)| *known == name).unwrap_or(REPAIRS.len()) as u32
}

/// The names of all repairs of a glTF.
pub fn repair_names() -> impl Iterator<Item = &'static str> {
    REPAIRS.iter().map(|(name, _)| *name)
}

/// A glTF under repair.
pub(super) struct Session<'a> {
    pub(super) document: Document<'a>,
    pub(super) touched: Touched,
    container: &'a Container<'a>,
    rig: &'a Rig,
    facts: Facts<'a>,
    /// The fix that is being applied.
    by: usize,
    /// Paths it has claimed; noted as touched when it has changed something.
    claims: Vec<(String, Option<Value>)>,
    /// Changed local transforms, by node.
    locals: BTreeMap<usize, Local>,
    /// Nodes that have come to hang elsewhere, with what they hang from now.
    parents: BTreeMap<usize, Option<usize>>,
    /// Changed inverse bind matrices, by skin.
    binds: BTreeMap<usize, Vec<DMat4>>,
    /// Influences that were looked at, by mesh and primitive.
    rows: BTreeMap<(usize, usize), Rows>,
    /// Changed channels, by clip and channel.
    keys: BTreeMap<(usize, usize), Keys>,
    /// Channels to take out, by clip.
    gone: BTreeMap<usize, Vec<usize>>,
    /// Accessor content to write, by the JSON Pointer of the member that names the accessor.
    payloads: BTreeMap<String, Payload>,
    /// The bytes that the repaired file may grow by.
    room: u64,
}

impl<'a> Session<'a> {
    pub(super) fn new(
        container: &'a Container<'a>,
        intake: &'a Intake,
        bundle: &Bundle<'_>,
        limits: &Limits,
    ) -> Option<Self> {
        let size =
            |files: &[crate::intake::Upload<'_>]| files.iter().map(|f| f.bytes.len() as u64).sum::<u64>();
        let outside = size(&bundle.files);
        let input = container.json.len() as u64 + container.bin.map_or(0, |bin| bin.len() as u64) + outside;
        Some(Self {
            document: Document::new(container.json)?,
            touched: Touched::default(),
            container,
            rig: &intake.rig,
            facts: Facts::new(&intake.rig),
            by: 0,
            claims: Vec::new(),
            locals: BTreeMap::new(),
            parents: BTreeMap::new(),
            binds: BTreeMap::new(),
            rows: BTreeMap::new(),
            keys: BTreeMap::new(),
            gone: BTreeMap::new(),
            payloads: BTreeMap::new(),
            room: input.saturating_mul(GROWTH).saturating_add(1 << 20).min(limits.total_bytes),
        })
    }

    /// Applies one repair.
    pub(super) fn apply(&mut self, name: &str, arguments: &Value, by: usize) -> Outcome {
        let Some((_, act)) = REPAIRS.iter().find(|(known, _)| *known == name) else {
            return Outcome::Refused(format!("no repair is called {name}"));
        };
        self.by = by;
        self.claims.clear();
        match act(self, &Arguments(arguments)) {
            Ok(true) => {
                for (path, value) in std::mem::take(&mut self.claims) {
                    self.touched.add(&path, value.as_ref(), by);
                }
                Outcome::Applied
            }
            Ok(false) => Outcome::Unchanged,
            Err(Stop::Refused(reason)) => Outcome::Refused(reason),
            Err(Stop::Clash(clash)) => Outcome::Clash(clash),
        }
    }

    /// Claims a path for this fix, before anything is changed.
    fn claim(&mut self, path: String, value: Option<Value>) -> Result<(), Stop> {
        if let Some(clash) = self.touched.clash(&path, value.as_ref()) {
            return Err(Stop::Clash(clash));
        }
        self.claims.push((path, value));
        Ok(())
    }

    /// The frame of a node, which only one fix of a pass may change.
    fn claim_frame(&mut self, node: usize) -> Result<(), Stop> {
        self.claim(format!("/nodes/{node}/frame"), None)
    }

    fn local(&self, node: usize) -> Local {
        self.locals.get(&node).copied().unwrap_or(self.rig.nodes[node].local)
    }

    /// What a node hangs from by now.
    fn parent(&self, node: usize) -> Option<usize> {
        self.parents.get(&node).copied().unwrap_or_else(|| self.rig.nodes[node].parent.map(NodeId::index))
    }

    /// The global rest transforms as they are by now.
    fn worlds(&self) -> Vec<DMat4> {
        let nodes = &self.rig.nodes;
        let mut worlds: Vec<DMat4> = nodes.iter().map(|node| node.world).collect();
        if self.locals.is_empty() && self.parents.is_empty() {
            return worlds;
        }
        let mut below: Vec<Vec<usize>> = vec![Vec::new(); nodes.len()];
        let mut open = Vec::new();
        for node in 0..nodes.len() {
            match self.parent(node) {
                Some(up) => below[up].push(node),
                None => open.push(node),
            }
        }
        while let Some(at) = open.pop() {
            let above = self.parent(at).map_or(DMat4::IDENTITY, |up| worlds[up]);
            worlds[at] = above * frames::matrix(&self.local(at));
            open.append(&mut below[at]);
        }
        worlds
    }

    /// The inverse bind matrices of a skin as they are by now, one per joint.
    fn binds(&self, skin: usize) -> Result<Vec<DMat4>, Stop> {
        if let Some(list) = self.binds.get(&skin) {
            return Ok(list.clone());
        }
        let it = &self.rig.skins[skin];
        if it.bind_unread {
            return Err("its inverse bind matrices could not be read".into());
        }
        match &it.inverse_bind {
            None => Ok(vec![DMat4::IDENTITY; it.joints.len()]),
            Some(list) if list.len() >= it.joints.len() => Ok(list.clone()),
            Some(list) => Err(format!(
                "the skin has {} joints and {} inverse bind matrices",
                it.joints.len(),
                list.len()
            )
            .into()),
        }
    }

    fn node(&self, index: usize) -> Result<NodeId, Stop> {
        if index < self.rig.nodes.len() { Ok(NodeId::new(index)) } else { Err(no("node", index)) }
    }

    /// The state into JSON and payloads.
    pub(super) fn settle(&mut self) {
        self.settle_nodes();
        self.settle_binds();
        self.settle_rows();
        self.settle_keys();
    }
}

/// What a repaired file may be larger than its input by, as a factor.
const GROWTH: u64 = 8;

/// An index of a fix' argument that points nowhere.
fn no(what: &str, index: usize) -> Stop {
    Stop::Refused(format!("there is no {what} {index}"))
}
