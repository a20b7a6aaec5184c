//! The trial bind: the weights that a skeleton would get on its skin, before anyone binds.
//!
//! Heat equilibrium on the welded surface, see [`heat`], faded with the distance to each joint. Pieces are not bound: they follow
//! the joint that carries them.
//! A shell too small for a field of its own is moved by one joint. What was mended on the way is in [`graph::Mended`].
//!
//! Memory: about 0.3 kB a point are kept (graph, sights, rows); a shell's factor takes 0.2 to 0.6 kB a point while it is solved, 480 MB
//! at the most, and its fields 0.2 kB. That is about 1 kB a point; [`TrialBind::bytes`] tells what a bind took.

pub mod brace;
mod fade;
pub mod graph;
pub mod heat;
pub mod leak;
mod radius;
pub mod reach;
mod reduce;
mod rings;
mod rows;
pub mod segments;
mod sight;
mod skeleton;
mod steps;
mod summary;
pub mod unseen;
mod winners;

use std::panic::{AssertUnwindSafe, catch_unwind};

use rayon::prelude::*;

pub use graph::{Graph, Mended, Skin};
pub use reduce::Reduced;
pub use rows::{KEPT, MOST_KEPT, Row};
pub use segments::Segment;
pub use sight::Sight;
pub use skeleton::{NoSkeleton, OwnSkeleton, own_skeleton};
pub use steps::Asked;
pub use summary::{BoundJoint, ReducedSkin, Summary};
pub(crate) use winners::linear;
pub use winners::{PALETTE, Winners};

use crate::body::{Body, NOWHERE};
use crate::check::{Observer, Unobserved};
use crate::facts::Facts;
use crate::model::{JointId, Source};
use fade::Fade;
use reach::Above;
use steps::{Steps, Terms};

/// Points that are bound as they are; a skin of more is bound by a smaller mesh.
const MOST_POINTS: usize = 600_000;
/// Skins of fewer points are not made smaller to fit.
const LEAST_POINTS: usize = 20_000;
/// Sizes that are tried.
const TRIES: usize = 4;
/// Distances between points and segments.
const MOST_DISTANCES: usize = 200_000_000;
/// Weights solved for.
const MOST_WEIGHTS: usize = 60_000_000;
/// Segments.
const MOST_SEGMENTS: usize = 10_000;
/// Smaller shells are moved by one joint, fraction of S: of shells this small, artists keep at least nine in ten rigid.
const SMALL: f64 = 0.15;
/// A shell is a rigid piece if one joint owns this share of it.
const PURE: f64 = 0.9;
/// A body is made of rigid pieces if they are this share of its area.
const PIECES: f64 = 0.9;
/// … and at least so many.
const LEAST_PIECES: usize = 4;
/// … none of which is more than this share.
const LARGEST_PIECE: f64 = 0.5;

/// Why there is no trial bind.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Refusal {
    /// Nothing to bind.
    NoSkin,
    /// Nothing to bind to.
    NoJoints,
    /// Too many points, in too many shells for a smaller mesh.
    TooLarge,
    /// Too many segments for so many points.
    TooMuch,
    /// The surface is so entangled that its equations do not fit.
    Tangled,
    /// The equations have no solution in numbers.
    Unsolved,
    /// Nobody waited for it any longer.
    Cancelled,
    /// A bug of ours.
    Failed,
}

impl Refusal {
    /// The reason, lower-case start, no final stop.
    pub fn reason(self) -> &'static str {
        match self {
            Self::NoSkin => "the body has no skin to bind",
            Self::NoJoints => "no joint deforms",
            Self::TooLarge => {
                "the body has too many points after welding, in pieces too small to make them fewer, which a trial bind does not take"
            }
            Self::TooMuch => {
                "the body has too many points for so many joints, which a trial bind does not take"
            }
            Self::Tangled => "the body's triangles are too entangled for a trial bind",
            Self::Unsolved => "the body's triangles are too uneven in size for a trial bind",
            Self::Cancelled => "the caller went away",
            Self::Failed => "the trial bind failed: a bug of ours",
        }
    }
}

/// A shell's part in the bind.
#[derive(Debug, Clone, Copy)]
pub struct BoundShell {
    /// The joint that moves all of it, where it is too small for a field, or a rigid piece.
    pub rigid: Option<u32>,
    /// The share of its area that sees a segment.
    pub seen: f64,
    /// The largest share that one joint owns.
    pub purity: f64,
    /// How far the forecast can be trusted here, 0 to 1.
    pub confidence: f64,
    /// Bytes that its equations took, factored.
    pub factor: u64,
}

/// A trial bind.
#[derive(Debug)]
pub struct TrialBind {
    /// The skin.
    pub graph: Graph,
    /// The joints that take part: influences are numbers in this list.
    pub joints: Vec<JointId>,
    /// Their segments, by joint.
    pub segments: Vec<Segment>,
    /// What each point sees.
    pub sights: Vec<Sight>,
    /// Each point's influences.
    pub rows: Vec<Row>,
    /// One per shell.
    pub shells: Vec<BoundShell>,
    /// The body radius of each joint, metres.
    pub radius: Vec<f64>,
    /// What is above each joint.
    pub above: Vec<Option<Above>>,
    /// The body is made of rigid pieces.
    pub rigid_pieces: bool,
    /// For each part of the surface, the joint that carries it, if it is a piece.
    pub carried: Vec<Option<Option<JointId>>>,
    /// S, metres.
    pub s: f64,
    /// Influences that were kept.
    pub influences: usize,
    /// How the graph stands for a larger skin, if it does.
    pub reduced: Option<Reduced>,
}

impl TrialBind {
    pub(crate) fn of(facts: &Facts<'_>, asked: Asked, observer: &dyn Observer) -> Result<Self, Refusal> {
        // Solvers are big: what they cannot stand must not take the other checks down.
        catch_unwind(AssertUnwindSafe(|| Self::new(facts, asked, observer))).unwrap_or(Err(Refusal::Failed))
    }

    fn new(facts: &Facts<'_>, asked: Asked, observer: &dyn Observer) -> Result<Self, Refusal> {
        let surface = facts.surface();
        let carried = carried(facts);
        let mut piece = vec![false; surface.triangles.len()];
        for (part, carried) in surface.parts.iter().zip(&carried) {
            let first = part.first_triangle as usize;
            piece[first..first + part.triangles as usize].fill(carried.is_some());
        }
        let whole = Skin::new(surface, |triangle| !piece[triangle as usize]);
        if whole.corners.is_empty() {
            return Err(Refusal::NoSkin);
        }
        let body = facts.solid();
        let (joints, segments) = segments::segments(facts, body);
        let above: Vec<Option<Above>> = above(facts, &joints);
        let mut most = asked.most_points;
        for _ in 0..TRIES {
            let (graph, reduced) = if whole.points() > most {
                let smaller = reduce::smaller(surface, &whole, most)?;
                let graph = Graph::of(surface, facts.s(), &smaller);
                let reduced = Reduced::new(surface, &whole, &graph);
                (graph, Some(reduced))
            } else {
                (Graph::of(surface, facts.s(), &whole), None)
            };
            let points = graph.points.len();
            let steps = Steps::new(observer, 2 * points);
            let terms = Terms { s: facts.s(), influences: asked.influences, steps };
            match Self::solved(graph, joints.clone(), segments.clone(), body, &terms) {
                Ok(bind) => return Ok(Self { above, carried, reduced, ..bind }),
                // What is too much for so many points may do with fewer.
                Err(Refusal::TooMuch | Refusal::Tangled) if points > LEAST_POINTS => most = points / 2,
                Err(refusal) => return Err(refusal),
            }
        }
        Err(Refusal::TooMuch)
    }

    /// Binds a graph to segments.
    pub fn bind(
        graph: Graph,
        joints: Vec<JointId>,
        segments: Vec<Segment>,
        body: Option<Body<'_>>,
        s: f64,
    ) -> Result<Self, Refusal> {
        let terms = Terms { s, influences: KEPT, steps: Steps::new(&Unobserved, 0) };
        Self::solved(graph, joints, segments, body, &terms)
    }

    fn solved(
        graph: Graph,
        joints: Vec<JointId>,
        segments: Vec<Segment>,
        body: Option<Body<'_>>,
        terms: &Terms<'_>,
    ) -> Result<Self, Refusal> {
        let (s, influences) = (terms.s, terms.influences);
        if joints.is_empty() {
            return Err(Refusal::NoJoints);
        }
        if segments.len() > MOST_SEGMENTS || segments.len() * graph.points.len() > MOST_DISTANCES {
            return Err(Refusal::TooMuch);
        }
        let sights = sight::sights(&graph, &segments, body, &terms.steps)?;
        let radius = radius::radii(&graph, &segments, &sights, joints.len(), body, s);
        let (rows, shells, rigid_pieces) =
            weigh(&graph, &sights, Fade { segments: &segments, radius: &radius }, terms)?;
        let (carried, above) = (Vec::new(), vec![None; joints.len()]);
        Ok(Self {
            graph,
            joints,
            segments,
            sights,
            rows,
            shells,
            radius,
            above,
            rigid_pieces,
            carried,
            s,
            influences,
            reduced: None,
        })
    }

    /// The influences of a point of the surface, strongest first, `most` at the most, which add up to one; nothing for
    /// what is no skin.
    pub fn row_at(&self, point: u32, most: usize) -> Vec<(u32, f64)> {
        let known = self.graph.of_surface.get(point as usize).copied().unwrap_or(NOWHERE);
        if let Some(row) = self.rows.get(known as usize) {
            let sum: f64 = row.influences().take(most).map(|one| one.1).sum();
            return row.influences().take(most).map(|(slot, weight)| (slot, weight / sum)).collect();
        }
        self.reduced.as_ref().map_or_else(Vec::new, |reduced| reduced.row(&self.rows, point, most))
    }

    /// Bytes that it took at the least: what is kept, and the largest shell's equations.
    pub fn bytes(&self) -> u64 {
        let kept = self.graph.bytes()
            + size_of_val(&*self.sights)
            + size_of_val(&*self.rows)
            + self.reduced.as_ref().map_or(0, Reduced::bytes);
        kept as u64 + self.shells.iter().map(|shell| shell.factor).max().unwrap_or(0)
    }

    /// The area that each joint owns, square metres.
    pub fn owned(&self) -> Vec<f64> {
        let mut owned = vec![0.0; self.joints.len()];
        for (row, mass) in self.rows.iter().zip(&self.graph.mass) {
            if let Some(slot) = row.dominant() {
                owned[slot as usize] += mass;
            }
        }
        owned
    }

    /// The segments of a joint.
    pub fn segments_of(&self, slot: u32) -> &[Segment] {
        segments_of(&self.segments, slot)
    }

    /// A joint's number among the bound ones.
    pub fn slot(&self, joint: JointId) -> Option<u32> {
        self.joints.binary_search(&joint).ok().map(|slot| slot as u32)
    }

    /// The mean confidence by area, 0 to 1.
    pub fn confidence(&self) -> f64 {
        let all: f64 = self.graph.shells.iter().map(|shell| shell.area).sum();
        let sum: f64 = self
            .graph
            .shells
            .iter()
            .zip(&self.shells)
            .map(|(shell, bound)| shell.area * bound.confidence)
            .sum();
        if all > 0.0 { sum / all } else { 0.0 }
    }
}

/// The segments of a joint in a list sorted by joint.
pub(super) fn segments_of(segments: &[Segment], slot: u32) -> &[Segment] {
    let first = segments.partition_point(|segment| segment.slot < slot);
    let end = segments.partition_point(|segment| segment.slot <= slot);
    &segments[first..end]
}

/// What is above each joint; above one of a loop nothing is known to deform.
fn above(facts: &Facts<'_>, joints: &[JointId]) -> Vec<Option<Above>> {
    let tree = facts.tree();
    // Parents come first.
    let mut below = vec![false; tree.parent.len()];
    for joint in &tree.order {
        let up = tree.parent[joint.index()];
        below[joint.index()] = up.is_some_and(|up| below[up.index()] || facts.deforms(up));
    }
    let of = |joint: &JointId| {
        let up = tree.parent[joint.index()]?;
        Some(Above { origin: facts.origin(up), deforms: below[joint.index()] })
    };
    joints.iter().map(of).collect()
}

/// For each part of the surface the joint that carries it, if it is a piece: drawn below a joint and not skinned, or
/// named by the plan.
fn carried(facts: &Facts<'_>) -> Vec<Option<Option<JointId>>> {
    let plan = facts.rig();
    let body = plan.body.as_deref().unwrap_or(plan);
    let of_name = |name: &str| {
        let list = plan.joints.iter().position(|joint| joint.name.as_deref() == Some(name));
        list.map(JointId::new)
    };
    facts
        .surface()
        .parts
        .iter()
        .map(|part| {
            let names = [&body.nodes[part.node.index()].name, &body.meshes[part.mesh.index()].name];
            let declared = plan
                .pieces
                .iter()
                .find(|piece| names.iter().any(|name| name.as_deref() == Some(piece.name.as_str())));
            if let Some(piece) = declared {
                return Some(piece.carried_by.as_ref().ok().copied());
            }
            let carrier = part.carrier?;
            Some(match plan.source {
                Source::Gltf => Some(carrier),
                Source::Plan => body.joints[carrier.index()].name.as_deref().and_then(of_name),
            })
        })
        .collect()
}

/// Solves every shell.
fn weigh(
    graph: &Graph,
    sights: &[Sight],
    fade: Fade<'_>,
    terms: &Terms<'_>,
) -> Result<(Vec<Row>, Vec<BoundShell>, bool), Refusal> {
    let owners: Vec<Vec<u32>> =
        graph.shells.iter().map(|shell| heat::owners(shell, sights, fade.radius.len())).collect();
    let work = graph.shells.iter().zip(&owners).map(|(shell, owners)| shell.range().len() * owners.len());
    if work.sum::<usize>() > MOST_WEIGHTS {
        return Err(Refusal::TooMuch);
    }
    let main = graph.main_shell();
    let many = graph.shells.len() > 1;
    let solved: Vec<(Vec<Row>, BoundShell)> = graph
        .shells
        .par_iter()
        .zip(&owners)
        .enumerate()
        .map(|(number, (shell, owners))| {
            let small = shell.extent < SMALL * terms.s && main != Some(number);
            let (rows, mut bound) = weigh_shell(graph, shell, sights, owners, fade, terms, small)?;
            bound.confidence = confidence(&bound, many);
            Ok((rows, bound))
        })
        .collect::<Result<_, Refusal>>()?;
    let mut rows = Vec::with_capacity(graph.points.len());
    let mut shells = Vec::with_capacity(solved.len());
    for (part, bound) in solved {
        rows.extend(part);
        shells.push(bound);
    }
    let pieces = made_of_pieces(graph, &shells);
    if pieces {
        for (shell, bound) in graph.shells.iter().zip(&mut shells) {
            let winner = rows[shell.range()].iter().find_map(Row::dominant);
            if bound.rigid.is_none()
                && bound.purity > PURE
                && let Some(winner) = largest(graph, shell, &rows).or(winner)
            {
                bound.rigid = Some(winner);
                rows[shell.range()].fill(Row::whole(winner));
            }
        }
    }
    Ok((rows, shells, pieces))
}

/// The joint that owns most of a shell.
fn largest(graph: &Graph, shell: &graph::Shell, rows: &[Row]) -> Option<u32> {
    let mut owned: std::collections::BTreeMap<u32, f64> = std::collections::BTreeMap::new();
    for point in shell.range() {
        if let Some(slot) = rows[point].dominant() {
            *owned.entry(slot).or_default() += graph.mass[point];
        }
    }
    owned.into_iter().max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0))).map(|(slot, _)| slot)
}

fn weigh_shell(
    graph: &Graph,
    shell: &graph::Shell,
    sights: &[Sight],
    owners: &[u32],
    fade: Fade<'_>,
    terms: &Terms<'_>,
    small: bool,
) -> Result<(Vec<Row>, BoundShell), Refusal> {
    let range = shell.range();
    let mut rows = vec![Row::keeping(MOST_KEPT); range.len()];
    let mut winner: Option<(f64, u32)> = None;
    let mut told = 0;
    let factor = heat::solve(graph, shell, sights, owners, terms.s, |slot, field| {
        for (row, weight) in rows.iter_mut().zip(field) {
            row.add(slot, *weight);
        }
        let share: f64 = field.iter().zip(&graph.mass[range.clone()]).map(|(w, mass)| w * mass).sum();
        if winner.is_none_or(|best| share > best.0 * (1.0 + 1e-9)) {
            winner = Some((share, slot));
        }
        told += 1;
        terms.steps.more(range.len() * told / owners.len() - range.len() * (told - 1) / owners.len())
    })?;
    for (row, place) in rows.iter_mut().zip(&graph.points[range.clone()]) {
        *row = fade.row(row, *place, terms.influences);
    }
    let seen: f64 = range.clone().filter(|point| sights[*point].seen).map(|point| graph.mass[point]).sum();
    let mut owned = vec![0.0; owners.len()];
    for (row, mass) in rows.iter().zip(&graph.mass[range]) {
        if let Some(at) = row.dominant().and_then(|slot| owners.binary_search(&slot).ok()) {
            owned[at] += mass;
        }
    }
    let purity = owned.iter().fold(0.0_f64, |most, area| most.max(*area)) / shell.area;
    let rigid = winner.filter(|_| small).map(|(_, slot)| slot);
    if let Some(slot) = rigid {
        rows.fill(Row::whole(slot));
    }
    Ok((rows, BoundShell { rigid, seen: seen / shell.area, purity, confidence: 0.0, factor }))
}

/// A body whose area is nearly all in shells that one joint owns.
fn made_of_pieces(graph: &Graph, shells: &[BoundShell]) -> bool {
    let pure = |bound: &BoundShell| bound.rigid.is_some() || bound.purity > PURE;
    let (mut area, mut count, mut largest) = (0.0, 0, 0.0_f64);
    for (shell, _) in graph.shells.iter().zip(shells).filter(|(_, bound)| pure(bound)) {
        area += shell.area;
        count += 1;
        largest = largest.max(shell.area);
    }
    count >= LEAST_PIECES && area > PIECES * graph.area && largest < LARGEST_PIECE * graph.area
}

/// The share of skin on which the forecast's strongest joint is the artist's, as measured on 63 real models: about 0.8
/// where there is one shell, 0.72 on bodies of several, and no better than the nearest segment's guess where nothing is
/// seen.
fn confidence(bound: &BoundShell, many: bool) -> f64 {
    let base = 0.5 + 0.3 * bound.seen;
    if many { base * 0.9 } else { base }
}
