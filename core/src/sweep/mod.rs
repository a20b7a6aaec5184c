//! The pose sweep: every joint that moves skin is turned alone, and what the skin does is measured.
//!
//! Everything that one joint's turn can show is in its field (`field`), so nothing is skinned but the triangles
//! whose shape changes. Work is linear in the points that move, over all joints; for contacts each joint asks once what every
//! triangle does, and both are bounded. The joints are spread over the cores, each is measured on its own, and so the result
//! does not depend on their number.
//!
//! Bodies of rigid pieces are recognised and not swept: every border between their parts is a cut on purpose.

mod bumps;
mod clips;
mod connected;
mod contact;
mod damage;
mod extremes;
mod field;
mod ground;
mod islands;
pub(crate) mod poses;
mod ranges;
pub mod skinning;
mod swapped;
mod tears;
pub(crate) mod telling;
mod tour;
mod worst;

use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

pub use bumps::Bumps;
pub use clips::{Moment, Played, played_nodes};
pub use connected::{Hole, Leak};
pub use contact::Contact;
pub use damage::{Collapse, Damage, Drag, Worst, unavoidable};
pub use extremes::{Ends, Together};
pub use islands::Island;
pub use poses::{ANGLE, Axis, Blend, Pose, TEAR_ANGLE, Turn};

pub(crate) use ranges::declared;
pub use ranges::{Declared, JointRange, RangeSource, Span};
pub use swapped::Swapped;
pub use tears::Tear;
pub use worst::{Shown, worst};

use crate::check::Observer;
use crate::facts::Facts;
use crate::model::JointId;
use field::Field;
use ground::Ground;

/// From this share of the skin on that follows one joint alone, a body is made of rigid pieces.
const RIGID: f64 = 0.95;

/// How a rig is to be swept.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// How the target blends.
    pub blend: Blend,
    /// Published ranges of people count.
    pub people: bool,
    /// What the plan says of the joints; empty without one.
    pub told: Vec<Option<Declared>>,
    /// The poses of the asset's own clips are measured, too.
    pub clips: bool,
}

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
    /// Smaller noise, in its field or in its own weights.
    pub ripples: Option<Bumps>,
    /// Stretch, compression, inversion, lost volume.
    pub damage: Option<Damage>,
    /// The same at the ends of its range, alone and together with the joint above it.
    pub ends: Option<Ends>,
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
    /// Skin beyond a joint's border that moves along: of overlapping ones the farthest moved.
    pub leaks: Vec<Leak>,
    /// The same beyond the joint's own skin.
    pub gaps: Vec<Leak>,
    /// Skin amid what moves that stays: of overlapping ones that of the last joint.
    pub holes: Vec<Hole>,
    /// The same where it follows nearly nothing of what everything around it follows.
    pub deep: Vec<Hole>,
    /// Where a joint's skin first comes to meet other skin, by joint.
    pub contacts: Vec<Contact>,
    /// Joints whose contacts were not looked at, since there is too much skin close together.
    pub untouched: u64,
    /// Joints that have skin at their twins.
    pub swapped: Vec<Swapped>,
    /// Small shells that lose their shape, each with its worst joint, by shell.
    pub islands: Vec<Island>,
    /// Skin that is dragged along, by the joint that drags.
    pub drags: Vec<Drag>,
    /// What clips do at their worst, where that was asked for.
    pub clips: Vec<Played>,
    /// Clips that were not looked at, since there is too much of them.
    pub unplayed: u64,
    /// Joints that were not swept, since all their skin together is too much.
    pub unswept: u64,
    /// Pairs of copies of a point that were not looked at.
    pub unseen: u64,
    /// It was ended before it was done: what is here is a part.
    pub cancelled: bool,
}

/// One joint's share of the result.
struct One {
    swept: Swept,
    leaks: Vec<Leak>,
    holes: Vec<Hole>,
    islands: Vec<Island>,
    drag: Option<Drag>,
    /// Nothing where there is too much to look at.
    contact: Option<Option<Contact>>,
}

impl Sweep {
    pub(crate) fn new(facts: &Facts<'_>, asked: &Asked, observer: &dyn Observer) -> Self {
        if facts.rig().joints.is_empty() || field::rigid_share(facts) >= RIGID {
            return Self { rigid: true, ..Self::default() };
        }
        let ground = Ground::new(facts, asked.blend);
        let ranges = ranges::ranges(facts, &asked.told, asked.people);
        let shells = islands::Shells::new(&ground);
        let tree = contact::Tree::new(ground.surface);
        let (joints, unswept) = ground.columns.joints(&ground.tour);
        let joints: Vec<JointId> =
            joints.into_iter().filter(|joint| facts.origin(*joint).is_finite()).collect();
        // The edges are asked for by all at once.
        facts.surface().edges();
        let (of, so_far) = (joints.len() as u64, AtomicU64::new(0));
        let mut done: Vec<One> = joints
            .into_par_iter()
            // Those that move most come last: small shares, so that no core is left with all of them.
            .with_min_len(2)
            .enumerate()
            .filter(|_| !observer.cancelled())
            .map_init(
                || [(); 2].map(|()| Field::new(ground.surface.points.len())),
                |fields, (number, joint)| {
                    let tree = (number < tree.joints()).then_some(&tree);
                    let one = one(&ground, &shells, tree, fields, joint, &ranges);
                    observer.joints(so_far.fetch_add(1, Ordering::Relaxed) + 1, of);
                    one
                },
            )
            .collect();
        let (clips, unplayed) =
            if asked.clips { clips::clips(facts, asked.blend, observer) } else { (Vec::new(), 0) };
        if observer.cancelled() {
            return Self { cancelled: true, ..Self::default() };
        }
        done.sort_by_key(|one| one.swept.joint);
        let (tears, unseen) = tears::tears(&ground);
        let mut this = Self {
            tears,
            unswept,
            unseen,
            clips,
            unplayed,
            swapped: swapped::swapped(&ground),
            ..Self::default()
        };
        let (mut leaks, mut holes, mut islands, mut drags) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for one in done {
            this.joints.push(one.swept);
            leaks.extend(one.leaks);
            holes.extend(one.holes);
            islands.extend(one.islands);
            drags.extend(one.drag);
            this.untouched += u64::from(one.contact.is_none());
            this.contacts.extend(one.contact.flatten());
        }
        this.leaks = once(leaks.iter().filter(|leak| leak.beyond_border));
        this.gaps = once(leaks.iter().filter(|leak| leak.across_gap));
        let depth = |joint: JointId| facts.tree().depth[joint.index()];
        holes.sort_by(|a: &Hole, b| {
            a.points[0]
                .cmp(&b.points[0])
                .then(depth(b.posed).cmp(&depth(a.posed)))
                .then(a.posed.cmp(&b.posed))
        });
        let last = |list: &[Hole], kind: fn(&Hole) -> bool| {
            let mut list: Vec<Hole> = list.iter().filter(|hole| kind(hole)).cloned().collect();
            list.dedup_by(|next, kept| next.points[0] == kept.points[0]);
            list
        };
        this.deep = last(&holes, |hole| hole.deep);
        this.holes = last(&holes, |hole| hole.enclosed);
        islands.sort_by(|a: &Island, b| a.shell.cmp(&b.shell).then(b.residual.total_cmp(&a.residual)));
        islands.dedup_by_key(|one| one.shell);
        drags.sort_by(|a: &Drag, b| a.culprit.cmp(&b.culprit).then(b.moved.total_cmp(&a.moved)));
        drags.dedup_by_key(|one| one.culprit);
        (this.islands, this.drags) = (islands, drags);
        this
    }

    /// What was left out because there is too much of it, in words.
    pub fn left_out(&self) -> Option<String> {
        let mut words = Vec::new();
        if self.unswept > 0 {
            words.push(format!("{} joints move too much skin to be swept", self.unswept));
        }
        if self.unseen > 0 {
            words.push(format!("{} pairs of copies on seams were not looked at", self.unseen));
        }
        if self.untouched > 0 {
            words.push(format!("contacts of {} joints were not looked at", self.untouched));
        }
        if self.unplayed > 0 {
            words.push(format!("{} clips were not played", self.unplayed));
        }
        (!words.is_empty()).then(|| words.join("; "))
    }
}

/// A joint's stray weight shows again in every joint above it; it is told once.
fn once<'l>(leaks: impl Iterator<Item = &'l Leak>) -> Vec<Leak> {
    let mut list: Vec<Leak> = leaks.cloned().collect();
    list.sort_by(|a, b| {
        (a.culprit, a.points[0]).cmp(&(b.culprit, b.points[0])).then(b.moved.total_cmp(&a.moved))
    });
    list.dedup_by(|next, kept| (next.culprit, next.points[0]) == (kept.culprit, kept.points[0]));
    list
}

fn one(
    ground: &Ground<'_, '_>,
    shells: &islands::Shells,
    tree: Option<&contact::Tree<'_>>,
    [field, own]: &mut [Field; 2],
    joint: JointId,
    ranges: &[JointRange],
) -> One {
    field.load(&ground.columns, &ground.tour, joint);
    own.load_own(&ground.columns, &ground.tour, joint);
    let facts = ground.facts;
    let axes = poses::axes(facts, joint);
    let holes = connected::holes(ground, field, joint);
    let border = connected::border(
        ground,
        field,
        holes.iter().filter(|hole| hole.enclosed),
        facts.origin(joint),
        axes[0].direction,
    );
    let radius = border.map(|border| border.radius);
    let islands = islands::islands(ground, shells, field, joint, &axes);
    let bumps = bumps::bumps(ground, field, joint);
    let ripples = bumps::ripples(ground, field, own, joint);
    let leaks = connected::leaks(ground, field, joint, radius);
    let drag = radius.and_then(|radius| damage::drag(ground, field, joint, &axes, radius));
    let poses = poses::both_ways(&axes, ANGLE);
    let damage = border.map(|border| damage::damage(ground, field, joint, &poses, border));
    let ends = border.map(|border| extremes::ends(ground, [field, own], joint, ranges, border));
    let contact = border.map_or(Some(None), |border| {
        tree.and_then(|tree| contact::contact(ground, field, tree, joint, &axes, border).ok())
    });
    let branches = ground.tour.branches[joint.index()] > 1;
    One {
        swept: Swept { joint, radius, branches, bumps, ripples, damage, ends },
        leaks,
        holes,
        islands,
        drag,
        contact,
    }
}
