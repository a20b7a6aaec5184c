//! Where a brace would hold skin that is pulled from too far away.
//!
//! From the skin in question rays go inward; the middles of the thickness they measure are where a segment could lie. A
//! few such segments are tried, each with the bind solved again where it changes, and the best one is kept. That it helps
//! is evidence, never the reason to propose it: complete skeletons gain from one more joint too.

use glam::{DMat3, DVec3};

use super::fade::Fade;
use super::graph::Graph;
use super::reach::{Above, Beyond, limits, reach};
use super::segments::Segment;
use super::steps::{Steps, Terms};
use super::{Row, TrialBind, heat, radius, sight, weigh_shell};
use crate::body::Body;
use crate::check::Observer;

/// Skin points that rays are cast from.
const RAYS: usize = 2_000;
/// A brace reaches so many standard deviations of the places it could lie at, both ways.
const SPREAD: f64 = 1.2;
/// Of the way towards the joint's origin.
const TOWARDS: f64 = 0.8;
/// Of the way to the skin.
const SHORT_OF_SKIN: f64 = 0.9;
/// Shorter braces are not proposed, fraction of S.
const SHORTEST: f64 = 0.01;
/// Points of a body that is solved again for braces.
const MOST_POINTS: usize = 60_000;

/// A proposal.
#[derive(Debug, Clone, Copy)]
pub struct Brace {
    /// Origin, metres.
    pub from: DVec3,
    /// Tip.
    pub to: DVec3,
    /// Skin beyond the limit that the joint owns now, behind its origin, square metres.
    pub before: f64,
    /// What is left of it with the brace, whether the joint owns it or the brace, square metres.
    pub after: f64,
}

/// The best brace for the skin that a joint reaches too far behind its origin; nothing if none helps, the body is too large to
/// try, or nobody waits any longer.
pub fn propose(bind: &TrialBind, body: Body<'_>, slot: u32, observer: &dyn Observer) -> Option<Brace> {
    if bind.rigid_pieces || bind.graph.points.len() > MOST_POINTS {
        return None;
    }
    let from = bind.segments_of(slot).first()?.from;
    let limit = bind.limits()[slot as usize];
    let skin: Vec<u32> = (0..bind.graph.points.len())
        .filter(|point| bind.reach(*point).is_some_and(|reach| reach.slot == slot && limit.passed(&reach)))
        .map(|point| point as u32)
        .collect();
    // The brace hangs from the joint's parent.
    let above: Vec<Option<Above>> = bind.above.iter().copied().chain([bind.above[slot as usize]]).collect();
    let before = beyond(bind, &bind.rows, &bind.segments, &bind.radius, &bind.above, &[slot]).1;
    let mut best: Option<(f64, Brace)> = None;
    let terms = Terms { s: bind.s, influences: bind.influences, steps: Steps::new(observer, 0) };
    for (a, b) in candidates(bind, body, &skin, from) {
        let segment = Segment { slot: bind.joints.len() as u32, from: a, to: b };
        let Some((rows, segments, radius)) = again(bind, body, segment, &terms) else { continue };
        let (excess, after) = beyond(bind, &rows, &segments, &radius, &above, &[slot, segment.slot]);
        if best.is_none_or(|(least, _)| excess < least) {
            best = Some((excess, Brace { from: a, to: b, before: before.area, after: after.area }));
        }
    }
    best.map(|(_, brace)| brace).filter(|brace| brace.after < brace.before)
}

/// All skin's excess, and what some joints reach behind their origins.
fn beyond(
    bind: &TrialBind,
    rows: &[Row],
    segments: &[Segment],
    radius: &[f64],
    above: &[Option<Above>],
    whose: &[u32],
) -> (f64, Beyond) {
    let (mut excess, mut theirs) = (0.0, Beyond::default());
    let limits = limits(segments, radius, above);
    for (point, row) in rows.iter().enumerate() {
        let shell = &bind.shells[bind.graph.shell_of[point] as usize];
        let Some(slot) = row.dominant().filter(|_| shell.rigid.is_none() && shell.seen > 0.0) else {
            continue;
        };
        let reach = reach(segments, radius, above, slot, bind.graph.points[point]);
        let limit = limits[slot as usize];
        if reach.ratio > limit.radii {
            excess += bind.graph.mass[point] * (reach.ratio - limit.radii);
            if limit.passed(&reach) && whose.contains(&slot) {
                theirs.add(reach, bind.graph.mass[point], limit.radii);
            }
        }
    }
    (excess, theirs)
}

/// The bind with one more segment, of a joint that comes last: rows, segments, radii.
fn again(
    bind: &TrialBind,
    body: Body<'_>,
    segment: Segment,
    terms: &Terms<'_>,
) -> Option<(Vec<Row>, Vec<Segment>, Vec<f64>)> {
    terms.steps.more(0).ok()?;
    let graph: &Graph = &bind.graph;
    let mut segments = bind.segments.clone();
    segments.push(segment);
    let sights = sight::again(graph, &segments, body, &bind.sights);
    let mut radius = bind.radius.clone();
    let mut near: Vec<f64> =
        sights.iter().filter(|sight| sight.slots().contains(&segment.slot)).map(|s| s.distance).collect();
    let own = radius::around(&segment, body, bind.s).or_else(|| radius::median(&mut near))?;
    radius.push(own.max(radius::LEAST * bind.s));
    let fade = Fade { segments: &segments, radius: &radius };
    let mut rows = bind.rows.clone();
    for ((shell, bound), number) in graph.shells.iter().zip(&bind.shells).zip(0..) {
        let range = shell.range();
        if sights[range.clone()] == bind.sights[range.clone()] {
            continue;
        }
        let owners = heat::owners(shell, &sights, bind.joints.len() + 1);
        let small = bound.rigid.is_some() && bind.graph.main_shell() != Some(number);
        rows[range].copy_from_slice(&weigh_shell(graph, shell, &sights, &owners, fade, terms, small).ok()?.0);
    }
    Some((rows, segments, radius))
}

/// Segments worth trying, within the body.
fn candidates(bind: &TrialBind, body: Body<'_>, skin: &[u32], origin: DVec3) -> Vec<(DVec3, DVec3)> {
    let normals = normals(&bind.graph, skin);
    let step = skin.len().div_ceil(RAYS).max(1);
    let mut cloud: Vec<(DVec3, f64)> = Vec::new();
    let mut surface: Vec<(DVec3, f64)> = Vec::new();
    let mut deepest: Option<(f64, DVec3)> = None;
    for (point, normal) in skin.iter().zip(&normals).step_by(step) {
        let place = bind.graph.points[*point as usize];
        let area = bind.graph.mass[*point as usize];
        let Some((middle, depth)) = middle(body, place, *normal, bind.s) else { continue };
        cloud.push((middle, area));
        surface.push((place, area));
        if deepest.is_none_or(|(most, _)| depth > most) {
            deepest = Some((depth, middle));
        }
    }
    let (Some((centre, axis, spread)), Some((_, skin_axis, _)), Some((_, deep))) =
        (spread(&cloud), spread(&surface), deepest)
    else {
        return Vec::new();
    };
    let shortest = SHORTEST * bind.s;
    let half = (SPREAD * spread).max(shortest);
    let mut list = Vec::new();
    let mut add = |from: DVec3, to: DVec3| {
        if from.distance(to) >= shortest && body.holds(from) && body.holds(to) {
            // The end nearer to the joint it helps is the tip.
            let forward = from.distance_squared(origin) >= to.distance_squared(origin);
            list.push(if forward { (from, to) } else { (to, from) });
        }
    };
    for (at, along) in [(centre, axis), (centre, skin_axis), (deep, axis), (deep, skin_axis)] {
        let end = |along: DVec3| {
            let hit = body.first_hit(at, along, half).map_or(half, |hit| hit * SHORT_OF_SKIN);
            at + along * hit
        };
        add(end(-along), end(along));
    }
    for at in [centre, deep] {
        add(at, at.lerp(origin, TOWARDS));
    }
    list
}

/// Half-way to the other side of the body, and how far that is.
fn middle(body: Body<'_>, place: DVec3, normal: DVec3, s: f64) -> Option<(DVec3, f64)> {
    let skin = 1e-3 * s;
    let inward = [-normal, normal].into_iter().find(|way| body.holds(place + *way * skin))?;
    let from = place + inward * skin;
    let hit = body.first_hit(from, inward, s)?;
    let half = f64::midpoint(hit, skin);
    Some((place + inward * half, half))
}

/// Unit normals of some points, ascending; nothing where triangles cancel.
fn normals(graph: &Graph, points: &[u32]) -> Vec<DVec3> {
    let mut sums = vec![DVec3::ZERO; points.len()];
    for corners in &graph.triangles {
        let [a, b, c] = corners.map(|point| graph.points[point as usize]);
        for point in corners {
            if let Ok(place) = points.binary_search(point) {
                sums[place] += (b - a).cross(c - a);
            }
        }
    }
    sums.into_iter().map(DVec3::normalize_or_zero).collect()
}

/// The centre of weighted points, their longest axis, and their standard deviation along it.
fn spread(points: &[(DVec3, f64)]) -> Option<(DVec3, DVec3, f64)> {
    let all: f64 = points.iter().map(|one| one.1).sum();
    if all <= 0.0 {
        return None;
    }
    let centre = points.iter().map(|(place, weight)| *place * *weight).sum::<DVec3>() / all;
    let mut scatter = DMat3::ZERO;
    for (place, weight) in points {
        let off = *place - centre;
        scatter += DMat3::from_cols(off * off.x, off * off.y, off * off.z) * (*weight / all);
    }
    // Power iteration from the longest column: it is no null vector unless all are.
    let columns = [scatter.x_axis, scatter.y_axis, scatter.z_axis];
    let mut axis = columns.into_iter().max_by(|a, b| a.length_squared().total_cmp(&b.length_squared()))?;
    for _ in 0..64 {
        axis = axis.try_normalize()?;
        axis = scatter * axis;
    }
    let axis = axis.try_normalize()?;
    Some((centre, axis, axis.dot(scatter * axis).max(0.0).sqrt()))
}
