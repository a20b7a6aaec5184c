//! Weights of a body: by part first (how much nearer a vertex is to one run of bones than to another), then along the
//! run (how far it lies beyond the bisecting plane of two bones). Only parts that touch in the skeleton share skin.

use glam::DVec3;

use super::layout::Layout;
use super::shape::{Shape, mirror};

/// Influences kept, and the least weight of one.
const MOST: usize = 4;
const LEAST: f64 = 0.01;
/// How much farther than the nearest run a run may be, in its own radii, before it moves nothing.
const SHARE: f64 = 0.8;
/// Colours mix where shapes are about as near, metres.
const MIXED: f64 = 0.005;

/// Bones end to end, and where one hands over to the next.
#[derive(Debug, Clone)]
struct Run {
    bones: Vec<usize>,
    joints: Vec<Joint>,
    /// The run it hangs from.
    parent: Option<usize>,
}

/// Place, direction and half width of a transition, metres.
#[derive(Debug, Clone, Copy)]
struct Joint {
    at: DVec3,
    along: DVec3,
    half: f64,
}

/// Who may share skin with whom.
#[derive(Debug)]
pub(super) struct Weighting {
    /// In space, and mirrored under the twins' numbers.
    runs: [Vec<Run>; 2],
    run_of: Vec<usize>,
    twins: Vec<usize>,
}

/// How far beyond a shape its bone may still move skin, metres.
pub(super) fn reach(shape: &Shape) -> f64 {
    SHARE * shape.ra.max(shape.rb) * 1.6
}

impl Weighting {
    pub(super) fn new(layout: &Layout, shapes: &[Shape]) -> Self {
        let bones = &layout.bones;
        let twins: Vec<usize> = bones.iter().map(|bone| bone.twin).collect();
        let mut run_of = vec![usize::MAX; bones.len()];
        let mut lists: Vec<Vec<usize>> = Vec::new();
        for part in layout.part_bones() {
            let Some(first) = part.first() else { continue };
            let above = bones[*first].parent;
            // A part that starts where its parent ends, and is the only one to, goes on with the parent's run.
            let goes_on = |up: usize| {
                let others = layout.part_bones().filter(|other| {
                    other.first().is_some_and(|o| bones[*o].parent == Some(up) && bones[*o].a == bones[up].b)
                });
                bones[*first].a == bones[up].b
                    && others.count() == 1
                    && run_of[up] != usize::MAX
                    && lists[run_of[up]].last() == Some(&up)
            };
            let run = match above.filter(|up| goes_on(*up)) {
                Some(up) => run_of[up],
                None => {
                    lists.push(Vec::new());
                    lists.len() - 1
                }
            };
            for bone in part {
                run_of[*bone] = run;
                lists[run].push(*bone);
            }
        }
        let radius = |bone: usize, end: bool| {
            let own = shapes.iter().find(|shape| shape.bone == bone);
            own.map_or(0.0, |shape| (if end { shape.rb } else { shape.ra }) * shape.k.min(1.6))
        };
        let build = |image: &dyn Fn(usize) -> usize, flip: bool| -> Vec<Run> {
            let turned = |v: DVec3| if flip { mirror(v) } else { v };
            lists
                .iter()
                .map(|list| {
                    let list: Vec<usize> = list.clone();
                    let joints = list
                        .windows(2)
                        .map(|pair| {
                            let (up, down) = (image(pair[0]), image(pair[1]));
                            let (u, d) = (bones[up].b - bones[up].a, bones[down].b - bones[down].a);
                            let along =
                                (u.normalize_or(DVec3::Y) + d.normalize_or(DVec3::Y)).normalize_or(DVec3::Y);
                            let wide = radius(up, true).max(radius(down, false));
                            let half = (1.1 * wide).min(0.48 * u.length().min(d.length()));
                            Joint { at: turned(bones[down].a), along: turned(along), half }
                        })
                        .collect();
                    let parent = list.first().and_then(|first| bones[*first].parent).map(|up| run_of[up]);
                    Run { bones: list, joints, parent: parent.filter(|run| *run != usize::MAX) }
                })
                .collect()
        };
        let runs = [build(&|bone| bone, false), build(&|bone| twins[bone], true)];
        Self { runs, run_of, twins }
    }

    /// The influences of a vertex: bone and weight, heaviest first; and its colour.
    pub(super) fn row(
        &self,
        shapes: &[Shape],
        list: &[u16],
        flip: bool,
        point: DVec3,
    ) -> (Vec<(usize, f32)>, [f32; 3]) {
        let point = if flip { mirror(point) } else { point };
        let runs = &self.runs[usize::from(flip)];
        // Per run: number, distance, nearest bone, radius there.
        let mut near: Vec<(usize, f64, usize, f64)> = Vec::with_capacity(8);
        let mut shades: Vec<(f64, [f32; 3])> = Vec::with_capacity(list.len());
        for index in list {
            let shape = &shapes[usize::from(*index)];
            let (distance, radius) = shape.distance(point);
            shades.push((distance, shape.colour));
            let run = self.run_of[shape.bone];
            match near.iter_mut().find(|entry| entry.0 == run) {
                Some(entry) if entry.1 <= distance => {}
                Some(entry) => *entry = (run, distance, shape.bone, radius),
                None => near.push((run, distance, shape.bone, radius)),
            }
        }
        near.sort_by_key(|entry| entry.0);
        let closest = near.iter().map(|entry| entry.1).fold(f64::INFINITY, f64::min);
        let nearness: Vec<f64> = near
            .iter()
            .map(|(_, distance, _, radius)| {
                let far = ((distance - closest) / (SHARE * radius)).clamp(0.0, 1.0);
                (1.0 - far) * (1.0 - far)
            })
            .collect();
        let mut row: Vec<(usize, f64)> = Vec::with_capacity(8);
        for (place, entry) in near.iter().enumerate() {
            // A run counts as far as one that it may share skin with is near: no jump where the nearest run changes.
            let leave = (0..near.len())
                .filter(|other| related(runs, near[*other].0, entry.0))
                .map(|other| nearness[other])
                .fold(0.0, f64::max);
            let weight = nearness[place] * leave;
            if weight > 0.0 {
                along(&runs[entry.0], entry.2, point, weight, &mut row);
            }
        }
        let on_plane = point.x == 0.0;
        if on_plane {
            let of = |bone: usize| row.iter().filter(|e| e.0 == bone).map(|e| e.1).sum::<f64>();
            row = row
                .iter()
                .map(|(bone, _)| (*bone, f64::midpoint(of(*bone), of(self.twins[*bone]))))
                .collect();
        }
        let total: f64 = row.iter().map(|(_, weight)| weight).sum();
        row.retain(|(_, weight)| *weight > LEAST * total);
        row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        row.truncate(MOST);
        let total: f64 = row.iter().map(|(_, weight)| weight).sum();
        let mut out: Vec<(usize, f32)> = row
            .into_iter()
            .map(|(bone, weight)| (if flip { self.twins[bone] } else { bone }, (weight / total) as f32))
            .collect();
        // The heaviest takes what rounding left over; on the plane it may have a twin.
        let others: f32 = out.iter().skip(1).map(|(_, weight)| weight).sum();
        if let Some(heaviest) = out.first_mut().filter(|_| !on_plane) {
            heaviest.1 = 1.0 - others;
        }
        (out, colour(&shades))
    }
}

/// The colour of the nearest shape; where two are about as near, a mixture.
fn colour(shades: &[(f64, [f32; 3])]) -> [f32; 3] {
    let nearest = shades.iter().map(|shade| shade.0).fold(f64::INFINITY, f64::min);
    let (mut sum, mut total) = ([0.0; 3], 0.0);
    for (distance, colour) in shades {
        let share = (1.0 - (distance - nearest) / MIXED).max(0.0) as f32;
        let share = share * share;
        for (slot, channel) in sum.iter_mut().zip(colour) {
            *slot += channel * share;
        }
        total += share;
    }
    sum.map(|channel: f32| channel / total)
}

/// Parent, child, or two runs on one parent: they may share skin.
fn related(runs: &[Run], a: usize, b: usize) -> bool {
    let up = |run: usize| runs[run].parent;
    a == b || up(a) == Some(b) || up(b) == Some(a) || (up(a).is_some() && up(a) == up(b))
}

/// Shares a run's weight among the nearest bone and its neighbours.
fn along(run: &Run, bone: usize, point: DVec3, weight: f64, row: &mut Vec<(usize, f64)>) {
    let Some(place) = run.bones.iter().position(|b| *b == bone) else { return };
    let passed = |joint: &Joint| {
        let share = ((point - joint.at).dot(joint.along) / joint.half * 0.5 + 0.5).clamp(0.0, 1.0);
        share * share * (3.0 - 2.0 * share)
    };
    let entered = place.checked_sub(1).map_or(1.0, |joint| passed(&run.joints[joint]));
    let left = run.joints.get(place).map_or(0.0, passed);
    row.push((bone, weight * entered * (1.0 - left)));
    if let Some(before) = place.checked_sub(1) {
        row.push((run.bones[before], weight * (1.0 - entered) * (1.0 - left)));
    }
    if let Some(after) = run.bones.get(place + 1) {
        row.push((*after, weight * left));
    }
}
