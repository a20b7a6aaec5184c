//! Repairs that carry influences from one vertex to others: along the surface, across a seam, over the mirror plane.

use std::cmp::{Ordering, Reverse};
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};

use glam::DVec3;

use super::arguments::Arguments;
use super::grid::Grid;
use super::rows::Slot;
use super::surface::Surface;
use super::{Done, Session, Stop, no};

/// Passes of smoothing.
const SMOOTHINGS: usize = 10;
/// Rings that a hole is filled by.
const FILLINGS: usize = 128;
/// Mirrored vertices are the same vertex within this share of S.
const SAME: f64 = 1e-3;
/// Weights that differ by less are the same weight.
const SLIGHT: f64 = 1e-3;

fn surface(session: &Session<'_>, mesh: usize) -> Result<Surface, Stop> {
    let it = session.rig.meshes.get(mesh).ok_or_else(|| no("mesh", mesh))?;
    Ok(Surface::new(it))
}

/// Every vertex of the mesh that has a row: primitive, vertex, place.
fn vertices(session: &mut Session<'_>, mesh: usize, surface: &Surface) -> Vec<(usize, usize, u32)> {
    let mut out = Vec::with_capacity(surface.place.len());
    for primitive in 0..session.rig.meshes[mesh].primitives.len() {
        let Ok(rows) = session.rows(mesh, primitive) else { continue };
        for vertex in 0..rows.count {
            if let Some(at) = surface.vertex(primitive, vertex) {
                out.push((primitive, vertex, surface.place[at]));
            }
        }
    }
    out
}

/// A mean of rows.
#[derive(Debug, Clone, Default)]
struct Mean(BTreeMap<u16, f64>);

impl Mean {
    fn add(&mut self, row: &[Slot], share: f64) {
        for (slot, weight) in row.iter().filter(|(_, weight)| *weight > 0.0) {
            *self.0.entry(*slot).or_default() += weight * share;
        }
    }

    fn row(self) -> Vec<Slot> {
        self.0.into_iter().collect()
    }
}

/// The largest difference of any joint's weight.
fn difference(a: &[Slot], b: &[Slot]) -> f64 {
    let mut all: BTreeMap<u16, f64> = BTreeMap::new();
    for (slot, weight) in a {
        *all.entry(*slot).or_default() += weight;
    }
    for (slot, weight) in b {
        *all.entry(*slot).or_default() -= weight;
    }
    all.values().map(|d| d.abs()).fold(0.0, f64::max)
}

#[derive(PartialEq)]
struct Reached {
    far: f64,
    place: u32,
    from: u32,
}

impl Eq for Reached {}

impl Ord for Reached {
    fn cmp(&self, other: &Self) -> Ordering {
        self.far.total_cmp(&other.far).then((self.place, self.from).cmp(&(other.place, other.from)))
    }
}

impl PartialOrd for Reached {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// Gives vertices without influence those of the nearest weighted vertex along the surface; where the surface leads to
/// none, of the nearest one in space.
pub(super) fn from_neighbours(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let (mesh, primitive) = (arguments.index("mesh")?, arguments.index("primitive")?);
    if fill(session, mesh, primitive, None)? {
        Ok(true)
    } else {
        Err("the mesh has no weighted vertex to take weights from".into())
    }
}

/// Fills the rows of a primitive that hold nothing: all of them, or those listed.
pub(super) fn fill(
    session: &mut Session<'_>,
    mesh: usize,
    primitive: usize,
    only: Option<&BTreeSet<usize>>,
) -> Done {
    session.rows(mesh, primitive)?;
    let surface = surface(session, mesh)?;
    let mut rows: Vec<Option<Vec<Slot>>> = vec![None; surface.points.len()];
    let mut bare: Vec<(usize, u32)> = Vec::new();
    let mut slots = Vec::new();
    for (at, vertex, place) in vertices(session, mesh, &surface) {
        session.rows(mesh, at)?.read(vertex, &mut slots);
        let sum: f64 = slots.iter().map(|(_, weight)| weight).sum();
        let weighted = sum.is_finite() && sum > 0.0;
        if weighted && rows[place as usize].is_none() {
            rows[place as usize] = Some(slots.iter().copied().filter(|(_, weight)| *weight > 0.0).collect());
        }
        let none = slots.iter().all(|(_, weight)| *weight == 0.0);
        let meant = at == primitive && only.is_none_or(|list| list.contains(&vertex));
        if (none || sum.is_nan()) && meant {
            bare.push((vertex, place));
        }
    }
    let mut source: Vec<Option<u32>> =
        (0..rows.len()).map(|place| rows[place].as_ref().map(|_| place as u32)).collect();
    let mut open = BinaryHeap::new();
    for place in 0..rows.len() as u32 {
        if source[place as usize].is_none() {
            for near in surface.near(place).iter().filter(|near| rows[**near as usize].is_some()) {
                open.push(Reverse(Reached { far: surface.length(place, *near), place, from: *near }));
            }
        }
    }
    while let Some(Reverse(Reached { far, place, from })) = open.pop() {
        if source[place as usize].is_some() {
            continue;
        }
        source[place as usize] = Some(from);
        for near in surface.near(place).iter().filter(|near| source[**near as usize].is_none()) {
            open.push(Reverse(Reached { far: far + surface.length(place, *near), place: *near, from }));
        }
    }
    if bare.iter().any(|(_, place)| source[*place as usize].is_none()) {
        let weighted: Vec<u32> = (0..rows.len() as u32).filter(|at| rows[*at as usize].is_some()).collect();
        let point = |place: u32| DVec3::from(surface.points[place as usize].map(f64::from));
        let grid = Grid::new(weighted.iter().map(|place| point(*place)).collect());
        for (_, place) in &bare {
            if source[*place as usize].is_none() {
                source[*place as usize] = grid.nearest(point(*place), f64::MAX).map(|(at, _)| weighted[at]);
            }
        }
    }
    let mut changed = false;
    let there = session.rows(mesh, primitive)?;
    for (vertex, place) in bare {
        if let Some(row) = source[place as usize].and_then(|from| rows[from as usize].as_ref()) {
            changed |= there.put_best(vertex, row);
        }
    }
    Ok(changed)
}

/// Evens out the weights of the listed vertices with those around them.
pub(super) fn smooth(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    if arguments.optional_index("mesh").is_some() {
        return smooth_one(session, arguments);
    }
    let mut changed = false;
    for one in arguments.list("primitives")? {
        changed |= smooth_one(session, &one)?;
    }
    Ok(changed)
}

fn smooth_one(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let (mesh, primitive) = (arguments.index("mesh")?, arguments.index("primitive")?);
    let listed = arguments.vertices("vertices", session.rows(mesh, primitive)?.count)?;
    let surface = surface(session, mesh)?;
    let all = vertices(session, mesh, &surface);
    let chosen: BTreeSet<u32> = listed
        .iter()
        .filter_map(|vertex| surface.vertex(primitive, *vertex))
        .map(|at| surface.place[at])
        .collect();
    let mut rows: BTreeMap<u32, Vec<Slot>> = BTreeMap::new();
    let mut around = chosen.clone();
    around.extend(chosen.iter().flat_map(|place| surface.near(*place).iter().copied()));
    let mut slots = Vec::new();
    for (at, vertex, place) in &all {
        if around.contains(place) && !rows.contains_key(place) {
            session.rows(mesh, *at)?.used(*vertex, &mut slots);
            rows.insert(*place, slots.clone());
        }
    }
    if arguments.0.get("fill").is_some_and(|fill| fill == true) {
        regrow(&mut rows, &chosen, &surface);
    }
    for _ in 0..SMOOTHINGS {
        let next: Vec<(u32, Vec<Slot>)> = chosen
            .iter()
            .filter_map(|place| {
                let own = rows.get(place)?;
                let near: Vec<&Vec<Slot>> =
                    surface.near(*place).iter().filter_map(|near| rows.get(near)).collect();
                let mut mean = Mean::default();
                mean.add(own, 0.5);
                for row in &near {
                    mean.add(row, 0.5 / near.len() as f64);
                }
                (!near.is_empty()).then(|| (*place, mean.row()))
            })
            .collect();
        rows.extend(next);
    }
    let mut changed = false;
    for (at, vertex, place) in all {
        if chosen.contains(&place)
            && let Some(row) = rows.get(&place)
        {
            changed |= session.rows(mesh, at)?.put_best(vertex, row);
        }
    }
    Ok(changed)
}

/// Forgets the rows of some places, and gives them those of the places around, from the rim inwards. Where nothing is
/// around, they stay.
fn regrow(rows: &mut BTreeMap<u32, Vec<Slot>>, chosen: &BTreeSet<u32>, surface: &Surface) {
    let mut left: Vec<(u32, Option<Vec<Slot>>)> =
        chosen.iter().map(|place| (*place, rows.remove(place))).collect();
    for _ in 0..FILLINGS {
        let mut next = Vec::new();
        for (place, _) in &left {
            let near: Vec<&Vec<Slot>> = surface.near(*place).iter().filter_map(|at| rows.get(at)).collect();
            let mut mean = Mean::default();
            for row in &near {
                mean.add(row, 1.0 / near.len() as f64);
            }
            if !near.is_empty() {
                next.push((*place, mean.row()));
            }
        }
        if next.is_empty() {
            break;
        }
        rows.extend(next);
        left.retain(|(place, _)| !rows.contains_key(place));
    }
    rows.extend(left.into_iter().filter_map(|(place, row)| Some((place, row?))));
}

/// Gives every group of welded vertices the mean of its weights.
pub(super) fn unify_seams(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mesh = arguments.index("mesh")?;
    let mut changed = false;
    let mut slots = Vec::new();
    for group in arguments.lists("vertices")? {
        let mut members = Vec::with_capacity(group.len());
        let (mut mean, mut capacity) = (Mean::default(), usize::MAX);
        for member in &group {
            let (primitive, vertex) = (member.index("primitive")?, member.index("vertex")?);
            let rows = session.rows(mesh, primitive)?;
            if vertex >= rows.count {
                return Err(no("vertex", vertex));
            }
            rows.used(vertex, &mut slots);
            let sum: f64 = slots.iter().map(|(_, weight)| weight).sum();
            if sum > 0.0 && sum.is_finite() {
                mean.add(&slots, 1.0 / sum);
            }
            capacity = capacity.min(rows.capacity());
            members.push((primitive, vertex));
        }
        let mut row = mean.row();
        row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        row.truncate(capacity);
        for (primitive, vertex) in members {
            let rows = session.rows(mesh, primitive)?;
            rows.used(vertex, &mut slots);
            let sum: f64 = row.iter().map(|(_, weight)| weight).sum();
            let scaled: Vec<Slot> = row.iter().map(|(slot, weight)| (*slot, weight / sum)).collect();
            // Rows that are one already, but for the order of their slots, are left alone.
            if difference(&slots, &scaled) > 1e-6 {
                changed |= rows.put_best(vertex, &row);
            }
        }
    }
    Ok(changed)
}

/// Lets a shell of the surface move wholly with one joint.
pub(super) fn rigid_islands(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mesh = arguments.index("mesh")?;
    let surface = surface(session, mesh)?;
    let shells = surface.shells();
    let mut wanted: BTreeMap<u32, u16> = BTreeMap::new();
    for island in arguments.list("islands")? {
        let (primitive, vertex) = (island.index("primitive")?, island.index("vertex")?);
        let at = surface.vertex(primitive, vertex).ok_or_else(|| no("vertex", vertex))?;
        let (_, skin) = session.skin_of(mesh)?;
        let slot = session.slot_of(skin, island.index("node")?)?;
        wanted.insert(shells[surface.place[at] as usize], slot);
    }
    let mut changed = false;
    for (primitive, vertex, place) in vertices(session, mesh, &surface) {
        if let Some(slot) = wanted.get(&shells[place as usize]) {
            let rows = session.rows(mesh, primitive)?;
            let mut slots = Vec::new();
            rows.used(vertex, &mut slots);
            if difference(&slots, &[(*slot, 1.0)]) > 1e-6 {
                changed |= rows.put_best(vertex, &[(*slot, 1.0)]);
            }
        }
    }
    Ok(changed)
}

/// Gives the vertices of the right side, and those on the plane, the mirror image of the left side's weights.
pub(super) fn mirror(session: &mut Session<'_>, arguments: &Arguments<'_>) -> Done {
    let mesh = arguments.index("mesh")?;
    let (normal, offset) = (arguments.unit("normal")?, arguments.number("offset")?);
    let surface = surface(session, mesh)?;
    let (skin, joints) = session.skin_of(mesh).map(|(index, skin)| (index, skin.joints.clone()))?;
    let twins = session.facts.twins();
    if twins.pairs.is_empty() {
        return Err("the skeleton has no twins to mirror to".into());
    }
    let slot_of: BTreeMap<_, u16> =
        joints.iter().enumerate().rev().map(|(slot, joint)| (*joint, slot as u16)).collect();
    let image: Vec<Option<u16>> = joints
        .iter()
        .map(|joint| {
            let twin = twins.of.get(joint.index()).copied().flatten().unwrap_or(*joint);
            slot_of.get(&twin).copied()
        })
        .collect();
    let tolerance = SAME * session.facts.s();
    let to_world = session.facts.bind().skins[skin].mesh_to_world;
    let points: Vec<DVec3> =
        surface.points.iter().map(|p| to_world.transform_point3(DVec3::from(p.map(f64::from)))).collect();
    let all = vertices(session, mesh, &surface);
    let mut rows: Vec<Option<Vec<Slot>>> = vec![None; points.len()];
    let mut slots = Vec::new();
    for (at, vertex, place) in &all {
        if rows[*place as usize].is_none() {
            session.rows(mesh, *at)?.used(*vertex, &mut slots);
            rows[*place as usize] = Some(slots.clone()).filter(|slots| !slots.is_empty());
        }
    }
    let grid = Grid::new(points.clone());
    let mirrored = |row: &[Slot]| -> Option<Vec<Slot>> {
        row.iter()
            .map(|(slot, weight)| {
                image.get(usize::from(*slot)).copied().flatten().map(|slot| (slot, *weight))
            })
            .collect()
    };
    let mut wanted: BTreeMap<u32, Vec<Slot>> = BTreeMap::new();
    for place in 0..points.len() {
        let distance = normal.dot(points[place]) - offset;
        if distance > tolerance || !distance.is_finite() {
            continue;
        }
        let Some((other, _)) = grid.nearest(points[place] - 2.0 * distance * normal, tolerance) else {
            continue;
        };
        let (Some(own), Some(theirs)) = (&rows[place], &rows[other]) else { continue };
        let Some(theirs) = mirrored(theirs) else { continue };
        let row = if distance.abs() <= tolerance {
            let mut mean = Mean::default();
            mean.add(own, 0.5);
            mean.add(&theirs, 0.5);
            mean.row()
        } else {
            theirs
        };
        if difference(own, &row) > SLIGHT {
            wanted.insert(place as u32, row);
        }
    }
    let mut changed = false;
    for (primitive, vertex, place) in all {
        if let Some(row) = wanted.get(&place) {
            changed |= session.rows(mesh, primitive)?.put_best(vertex, row);
        }
    }
    Ok(changed)
}
