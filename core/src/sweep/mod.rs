//! The pose sweep: every joint that moves skin is turned alone, and what the skin does is measured.
//!
//! Everything that one joint's turn can show is in its field (`field`), so nothing is skinned but the triangles
//! whose shape changes. Work is linear in the points that move, over all joints; the joints are spread over the cores,
//! each is measured on its own, and so the result does not depend on their number.
//!
//! Bodies of rigid pieces are recognised and not swept: every border between their parts is a cut on purpose.

mod bumps;
mod connected;
mod damage;
mod field;
mod ground;
mod islands;
mod poses;
pub mod skinning;
mod tears;
pub(crate) mod telling;
mod tour;

use rayon::prelude::*;

pub use bumps::Bumps;
pub use connected::{Hole, Leak};
pub use damage::{Collapse, Damage, Drag, Worst, unavoidable};
pub use islands::Island;
pub use poses::{ANGLE, Axis, Pose, TEAR_ANGLE, Turn};
pub use tears::Tear;

use crate::facts::Facts;
use crate::model::JointId;
use field::Field;
use ground::Ground;

/// From this share of the skin on that follows one joint alone, a body is made of rigid pieces.
const RIGID: f64 = 0.95;

/// What the poses of one joint do.
#[derive(Debug, Clone)]
pub struct Swept {
    /// The joint.
    pub joint: JointId,
    /// How far from its origin its border lies, metres; nothing where the field has no border.
    pub radius: Option<f64>,
    /// More than one chain with skin hangs from it.
    pub branches: bool,
    /// Noise in its field.
    pub bumps: Option<Bumps>,
    /// Stretch, compression, inversion, lost volume.
    pub damage: Option<Damage>,
}

/// What the sweep found.
#[derive(Debug, Default)]
pub struct Sweep {
    /// The body is made of rigid pieces: nothing was swept.
    pub rigid: bool,
    /// One per joint that moves skin, by joint.
    pub joints: Vec<Swept>,
    /// Seams that open, by point.
    pub tears: Vec<Tear>,
    /// Skin that moves where it should stay: of overlapping ones the farthest moved.
    pub leaks: Vec<Leak>,
    /// Skin that stays where it should move: of overlapping ones that of the last joint.
    pub holes: Vec<Hole>,
    /// Small shells that lose their shape, each with its worst joint, by shell.
    pub islands: Vec<Island>,
    /// Skin that is dragged along, by the joint that drags.
    pub drags: Vec<Drag>,
    /// Joints that were not swept, since all their skin together is too much.
    pub unswept: u64,
    /// Seam points that were not looked at.
    pub unseen: u64,
}

/// One joint's share of the result.
struct One {
    swept: Swept,
    leaks: Vec<Leak>,
    holes: Vec<Hole>,
    islands: Vec<Island>,
    drag: Option<Drag>,
}

impl Sweep {
    pub(crate) fn new(facts: &Facts<'_>) -> Self {
        if facts.rig().joints.is_empty() || field::rigid_share(facts) >= RIGID {
            return Self { rigid: true, ..Self::default() };
        }
        let ground = Ground::new(facts);
        let shells = islands::Shells::new(&ground);
        let (joints, unswept) = ground.columns.joints(&ground.tour);
        let joints: Vec<JointId> =
            joints.into_iter().filter(|joint| facts.origin(*joint).is_finite()).collect();
        // The edges are asked for by all at once.
        facts.surface().edges();
        let mut done: Vec<One> = joints
            .into_par_iter()
            .with_min_len(8)
            .map_init(
                || Field::new(ground.surface.points.len()),
                |field, joint| one(&ground, &shells, field, joint),
            )
            .collect();
        done.sort_by_key(|one| one.swept.joint);
        let (tears, unseen) = tears::tears(&ground);
        let mut this = Self { tears, unswept, unseen, ..Self::default() };
        let (mut leaks, mut holes, mut islands, mut drags) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for one in done {
            this.joints.push(one.swept);
            leaks.extend(one.leaks);
            holes.extend(one.holes);
            islands.extend(one.islands);
            drags.extend(one.drag);
        }
        // A joint's stray weight shows again in every joint above it; it is told once.
        leaks.sort_by(|a: &Leak, b| {
            (a.culprit, a.points[0]).cmp(&(b.culprit, b.points[0])).then(b.moved.total_cmp(&a.moved))
        });
        leaks.dedup_by(|next, kept| (next.culprit, next.points[0]) == (kept.culprit, kept.points[0]));
        let depth = |joint: JointId| facts.tree().depth[joint.index()];
        holes.sort_by(|a: &Hole, b| {
            a.points[0]
                .cmp(&b.points[0])
                .then(depth(b.posed).cmp(&depth(a.posed)))
                .then(a.posed.cmp(&b.posed))
        });
        holes.dedup_by(|next, kept| next.points[0] == kept.points[0]);
        islands.sort_by(|a: &Island, b| a.shell.cmp(&b.shell).then(b.residual.total_cmp(&a.residual)));
        islands.dedup_by_key(|one| one.shell);
        drags.sort_by(|a: &Drag, b| a.culprit.cmp(&b.culprit).then(b.moved.total_cmp(&a.moved)));
        drags.dedup_by_key(|one| one.culprit);
        (this.leaks, this.holes, this.islands, this.drags) = (leaks, holes, islands, drags);
        this
    }

    /// What was left out because there is too much of it, in words.
    pub fn left_out(&self) -> Option<String> {
        let mut words = Vec::new();
        if self.unswept > 0 {
            words.push(format!("{} joints move too much skin to be swept", self.unswept));
        }
        if self.unseen > 0 {
            words.push(format!("{} seam points were not looked at", self.unseen));
        }
        (!words.is_empty()).then(|| words.join("; "))
    }
}

fn one(ground: &Ground<'_, '_>, shells: &islands::Shells, field: &mut Field, joint: JointId) -> One {
    field.load(&ground.columns, &ground.tour, joint);
    let facts = ground.facts;
    let axes = poses::axes(facts, joint);
    let holes = connected::holes(ground, field, joint);
    let border = connected::border(ground, field, &holes, facts.origin(joint), axes[0].direction);
    let radius = border.map(|border| border.radius);
    let islands = islands::islands(ground, shells, field, joint, &axes);
    let bumps = bumps::bumps(ground, field, joint);
    let leaks = radius.map(|radius| connected::leaks(ground, field, joint, radius)).unwrap_or_default();
    let drag = radius.and_then(|radius| damage::drag(ground, field, joint, &axes, radius));
    let damage = border.map(|border| damage::damage(ground, field, joint, &axes, border));
    let branches = ground.tour.branches[joint.index()] > 1;
    One { swept: Swept { joint, radius, branches, bumps, damage }, leaks, holes, islands, drag }
}
