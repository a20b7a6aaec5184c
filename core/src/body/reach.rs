//! How wide a joint's own skin lies around it (D13), limb ends that hang elsewhere (D17), and steps between joints.

use std::collections::{BTreeMap, BTreeSet};

use glam::DVec3;
use rayon::prelude::*;

use super::skinning::Skinning;
use super::starts::sum_up;
use super::surface::Surface;
use super::weld::NOWHERE;
use crate::facts::{Facts, TipKind};
use crate::model::JointId;

/// A joint dominates a point from this share on.
const DOMINATES: f32 = 0.5;
/// Fewer dominated points say nothing about a radius.
const LEAST: usize = 8;
/// Ends of a joint that count.
const MOST_ENDS: usize = 16;
/// A limb's tip and the origin of its end are this near, fraction of S.
const TOUCHES: f64 = 0.01;

/// The local radius of a joint.
#[derive(Debug, Clone, Copy)]
pub struct Radius {
    /// Median distance of dominated points to the joint's segments, metres.
    pub r50: f64,
    /// 90th percentile.
    pub r90: f64,
    /// How far weights of a soft bend may reach: r90, or a third of the joint's longest segment where that is more
    /// (a thin limb bends over its length, not over its width).
    pub scale: f64,
    /// Points dominated.
    pub dominated: usize,
}

/// Radii, segments and steps.
#[derive(Debug)]
pub struct Reach {
    /// One per joint; `None` below eight dominated points.
    pub radius: Vec<Option<Radius>>,
    /// A joint that continues another limb than the one it hangs from: the joint it belongs to (D17).
    pub attached: Vec<Option<JointId>>,
    /// Edges of the surface between points dominated by two joints, the lower joint first.
    pub shared: BTreeMap<(JointId, JointId), u32>,
    end_starts: Vec<u32>,
    ends: Vec<DVec3>,
    parent: Vec<Option<JointId>>,
    /// Pairs that one reattached joint has as its two parents.
    meet: BTreeSet<(JointId, JointId)>,
}

impl Reach {
    pub(crate) fn new(facts: &Facts<'_>, surface: &Surface, skinning: &Skinning) -> Self {
        let joints = facts.rig().joints.len();
        let mut this = Self {
            radius: vec![None; joints],
            attached: vec![None; joints],
            shared: BTreeMap::new(),
            end_starts: vec![0],
            ends: Vec::new(),
            parent: facts.tree().parent.clone(),
            meet: BTreeSet::new(),
        };
        this.find_ends(facts);
        let far = this.find_radii(facts, surface, skinning);
        this.count_shared(surface, skinning);
        this.attach(facts, &far);
        this
    }

    fn find_ends(&mut self, facts: &Facts<'_>) {
        for index in 0..self.radius.len() {
            let tip = facts.tips()[index];
            if tip.kind != TipKind::None && tip.point.is_finite() {
                self.ends.push(tip.point);
            }
            let begin = self.end_starts[index] as usize;
            for child in &facts.tree().children[index] {
                let origin = facts.origin(*child);
                if self.ends.len() - begin < MOST_ENDS && origin.is_finite() && facts.deforms(*child) {
                    self.ends.push(origin);
                }
            }
            self.end_starts.push(self.ends.len() as u32);
        }
    }

    /// Where the joint's segments end: its tip and its deforming children.
    pub fn ends(&self, joint: JointId) -> &[DVec3] {
        &self.ends[self.end_starts[joint.index()] as usize..self.end_starts[joint.index() + 1] as usize]
    }

    /// Distance of a place to the joint's nearest segment, metres.
    pub fn distance(&self, origin: DVec3, joint: JointId, place: DVec3) -> f64 {
        self.ends(joint)
            .iter()
            .map(|end| to_segment(place, origin, *end))
            .min_by(f64::total_cmp)
            .unwrap_or_else(|| place.distance(origin))
    }

    /// Radii; also how far along its axis a joint's own skin reaches (D6 kind 4), where no tip is known.
    fn find_radii(
        &mut self,
        facts: &Facts<'_>,
        surface: &Surface,
        skinning: &Skinning,
    ) -> Vec<Option<DVec3>> {
        let owned: Vec<(u32, u32)> = (0..surface.points.len() as u32)
            .filter_map(|point| {
                let joint = skinning.dominant[point as usize];
                let row = skinning.point_row(point);
                row.iter().any(|one| one.joint.0 == joint && one.weight > DOMINATES).then_some((joint, point))
            })
            .collect();
        let mut starts = vec![0_u32; self.radius.len() + 1];
        for (joint, _) in &owned {
            starts[*joint as usize] += 1;
        }
        sum_up(&mut starts);
        let mut points = vec![0_u32; owned.len()];
        let mut next = starts.clone();
        for (joint, point) in owned {
            points[next[joint as usize] as usize] = point;
            next[joint as usize] += 1;
        }
        let floor = 1e-4 * facts.s();
        let found: Vec<(Option<Radius>, Option<DVec3>)> = (0..self.radius.len())
            .into_par_iter()
            .map(|index| {
                let mine = &points[starts[index] as usize..starts[index + 1] as usize];
                let (joint, origin) = (JointId::new(index), facts.origin(JointId::new(index)));
                if mine.len() < LEAST || !origin.is_finite() {
                    return (None, None);
                }
                let mut list: Vec<f64> = mine
                    .iter()
                    .map(|point| self.distance(origin, joint, surface.points[*point as usize]))
                    .collect();
                let mut share = |part: f64| {
                    let rank = (part * (list.len() - 1) as f64).round() as usize;
                    *list.select_nth_unstable_by(rank, f64::total_cmp).1
                };
                let (r50, r90) = (share(0.5).max(floor), share(0.9).max(floor));
                let far = facts.long_axis().map(|axis| {
                    let along = facts.bind().joints[index].basis * axis.vector();
                    let mut reach: Vec<f64> =
                        mine.iter().map(|p| (surface.points[*p as usize] - origin).dot(along)).collect();
                    let rank = (0.95 * (reach.len() - 1) as f64).round() as usize;
                    origin + along * reach.select_nth_unstable_by(rank, f64::total_cmp).1.max(0.0)
                });
                let longest = self.ends(joint).iter().map(|end| end.distance(origin)).fold(0.0, f64::max);
                let scale = r90.max(longest / 3.0);
                (Some(Radius { r50, r90, scale, dominated: mine.len() }), far)
            })
            .collect();
        for (radius, (found, _)) in self.radius.iter_mut().zip(&found) {
            *radius = *found;
        }
        found.into_iter().map(|(_, far)| far).collect()
    }

    fn count_shared(&mut self, surface: &Surface, skinning: &Skinning) {
        for point in 0..surface.points.len() as u32 {
            let joint = skinning.dominant[point as usize];
            for other in surface.edges().neighbours(point) {
                let next = skinning.dominant[*other as usize];
                if *other > point && joint != next && joint != NOWHERE && next != NOWHERE {
                    let key = (JointId(joint.min(next)), JointId(joint.max(next)));
                    *self.shared.entry(key).or_default() += 1;
                }
            }
        }
    }

    /// Edges of the surface between the skins of two joints.
    pub fn edges_between(&self, a: JointId, b: JointId) -> u32 {
        self.shared.get(&(a.min(b), a.max(b))).copied().unwrap_or(0)
    }

    /// D17.
    fn attach(&mut self, facts: &Facts<'_>, far: &[Option<DVec3>]) {
        let tree = facts.tree();
        let mut best: BTreeMap<JointId, (u32, JointId)> = BTreeMap::new();
        for ((a, b), edges) in &self.shared {
            for (limb, end) in [(*a, *b), (*b, *a)] {
                let tip = facts.tips()[limb.index()];
                let tip = match tip.kind {
                    TipKind::Child(_) | TipKind::Marker | TipKind::Declared => Some(tip.point),
                    _ => far[limb.index()],
                };
                let touches = tip.is_some_and(|tip| tip.distance(facts.origin(end)) <= TOUCHES * facts.s());
                let own = tree.parent[end.index()].map_or(0, |up| self.edges_between(up, end));
                if !touches || own >= *edges || tree.parent[end.index()] == Some(limb) {
                    continue;
                }
                if best.get(&end).is_none_or(|(most, _)| most < edges) {
                    best.insert(end, (*edges, limb));
                }
            }
        }
        for (end, (_, limb)) in best {
            let related =
                tree.ancestors(end).any(|up| up == limb) || tree.ancestors(limb).any(|up| up == end);
            if related {
                continue;
            }
            self.attached[end.index()] = Some(limb);
            if let Some(up) = tree.parent[end.index()] {
                self.meet.insert((up.min(limb), up.max(limb)));
            }
        }
    }

    /// The joints above: the parent, and the limb that a reattached end belongs to.
    fn ups(&self, joint: JointId) -> impl Iterator<Item = JointId> {
        [self.parent[joint.index()], self.attached[joint.index()]].into_iter().flatten()
    }

    /// Whether two joints are the same, or at most two steps apart; a reattached end is next to its limb, too.
    pub fn near(&self, a: JointId, b: JointId) -> bool {
        let child = |low: JointId, high: JointId| self.ups(low).any(|up| up == high);
        a == b
            || child(a, b)
            || child(b, a)
            || self.ups(a).any(|up| child(up, b) || child(b, up))
            || self.ups(b).any(|up| child(up, a))
            || self.meet.contains(&(a.min(b), a.max(b)))
    }

    /// Steps between two joints, up to `most`; beyond, `most + 1`. Reattached ends hang from their limbs.
    pub fn steps(&self, a: JointId, b: JointId, most: u32) -> u32 {
        let climb = |from: JointId| {
            let up = |joint: &JointId| self.attached[joint.index()].or(self.parent[joint.index()]);
            std::iter::successors(Some(from), up).take(most as usize + 1).collect::<Vec<_>>()
        };
        let (left, right) = (climb(a), climb(b));
        let meeting = left.iter().enumerate().filter_map(|(up, joint)| {
            right.iter().position(|other| other == joint).map(|down| (up + down) as u32)
        });
        meeting.min().filter(|steps| *steps <= most).unwrap_or(most + 1)
    }
}

/// Distance of a place to a line from `a` to `b`.
pub fn to_segment(place: DVec3, a: DVec3, b: DVec3) -> f64 {
    let along = b - a;
    let length = along.length_squared();
    let at = if length > 0.0 { ((place - a).dot(along) / length).clamp(0.0, 1.0) } else { 0.0 };
    place.distance(a + along * at)
}
