//! A skin with too many points, bound by a smaller mesh: points that lie close together become one, and what was left out gets
//! the weights of the place of the smaller mesh that it lies at.
//!
//! Only points of one shell become one, and a point that is left out looks for its place on its own shell: a sleeve does not get
//! the weights of the arm in it.

use glam::DVec3;
use rayon::prelude::*;

use super::graph::{Graph, Skin, drop_repeated, used};
use super::{Refusal, Row};
use crate::body::{NOWHERE, Soup, Surface, Triangles};

/// A smaller mesh has at most this share of the points that are bound as they are.
const SMALLER: f64 = 0.5;
/// Sizes of cells that are tried, each this much larger at the least.
const TRIES: usize = 24;
/// See `TRIES`.
const COARSER: f64 = 1.15;

/// Where a point of the skin lies on the smaller mesh.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    /// Corners of a triangle, as points of the graph.
    corners: [u32; 3],
    /// How much of each.
    shares: [f32; 3],
}

impl Place {
    const NOWHERE: Self = Self { corners: [0; 3], shares: [0.0; 3] };
}

/// What a smaller mesh stands for, and how well.
#[derive(Debug)]
pub struct Reduced {
    /// Points of the whole skin, after welding.
    pub points: u64,
    /// Its triangles.
    pub triangles: u64,
    /// Mean distance of the whole skin's points from the smaller mesh, by area, metres.
    pub mean: f64,
    /// The largest, metres.
    pub largest: f64,
    /// By point of the surface; only those of points that were left out count.
    places: Vec<Place>,
}

/// A smaller mesh of the same skin: points of one shell in one cell of a grid become the one that is nearest to their middle. Cells of
/// one size keep the triangles even, as a field over them needs; a mesh that is only faithful in shape has long ones.
pub(super) fn smaller(surface: &Surface, skin: &Skin, most: usize) -> Result<Skin, Refusal> {
    let area: f64 = masses(surface, skin).iter().sum();
    let list: Vec<u32> =
        (0..surface.points.len() as u32).filter(|point| skin.used[*point as usize]).collect();
    let low = list.iter().fold(DVec3::INFINITY, |low, point| low.min(surface.points[*point as usize]));
    let wanted = most as f64 * SMALLER;
    // Of a flat sheet one point to a cell; a bent one passes through more.
    let mut cell = (area / wanted).sqrt();
    for _ in 0..TRIES {
        let into = clusters(surface, &list, low, cell);
        let corner = |point: u32| into[point as usize];
        let mut corners: Vec<[u32; 3]> = skin
            .corners
            .par_iter()
            .map(|corners| corners.map(corner))
            .filter(|[a, b, c]| a != b && b != c && c != a)
            .collect();
        drop_repeated(&mut corners);
        let used = used(surface.points.len(), &corners);
        let reduced = Skin { corners, used, mended: skin.mended };
        let points = reduced.points();
        if points == 0 {
            return Err(Refusal::TooLarge);
        }
        if points <= most {
            return Ok(reduced);
        }
        cell *= (points as f64 / wanted).sqrt().max(COARSER);
    }
    Err(Refusal::TooLarge)
}

/// For each point the one that stands for its cell.
fn clusters(surface: &Surface, list: &[u32], low: DVec3, cell: f64) -> Vec<u32> {
    let key = |point: u32| {
        let at = ((surface.points[point as usize] - low) / cell).to_array();
        let [x, y, z] = at.map(|side| (side as u64).min((1 << 21) - 1));
        (surface.shell_of[point as usize], x << 42 | y << 21 | z, point)
    };
    let mut keyed: Vec<(u32, u64, u32)> = list.par_iter().map(|point| key(*point)).collect();
    keyed.par_sort_unstable();
    let mut into: Vec<u32> = (0..surface.points.len() as u32).collect();
    for members in keyed.chunk_by(|one, other| (one.0, one.1) == (other.0, other.1)) {
        let place = |member: &(u32, u64, u32)| surface.points[member.2 as usize];
        let middle = members.iter().map(place).sum::<DVec3>() / members.len() as f64;
        let apart = |member: &(u32, u64, u32)| place(member).distance_squared(middle);
        let nearest = members.iter().min_by(|a, b| apart(a).total_cmp(&apart(b)).then(a.2.cmp(&b.2)));
        for member in members {
            into[member.2 as usize] = nearest.map_or(member.2, |nearest| nearest.2);
        }
    }
    into
}

impl Reduced {
    /// Places every point of the whole skin on the graph of the smaller mesh.
    pub(super) fn new(surface: &Surface, whole: &Skin, graph: &Graph) -> Self {
        let shells = spread(surface, whole, graph);
        let mut triangles: Vec<Vec<[u32; 3]>> = vec![Vec::new(); graph.shells.len()];
        for corners in &graph.triangles {
            triangles[graph.shell_of[corners[0] as usize] as usize].push(*corners);
        }
        let soup = |triangles| Soup { positions: &graph.points, triangles };
        let trees: Vec<Triangles> = triangles.par_iter().map(|list| Triangles::new(soup(list))).collect();
        // A shell of which nothing is left looks for its place everywhere.
        let lost = (0..surface.points.len()).any(|point| whole.used[point] && shells[point] == NOWHERE);
        let everywhere = lost.then(|| Triangles::new(soup(&graph.triangles)));
        let mass = masses(surface, whole);
        let all: f64 = mass.iter().sum();
        let placed: Vec<(Place, f64)> = (0..surface.points.len())
            .into_par_iter()
            .map(|point| {
                if !whole.used[point] || graph.of_surface[point] != NOWHERE {
                    return (Place::NOWHERE, 0.0);
                }
                let (tree, list) = match shells[point] {
                    NOWHERE => (everywhere.as_ref(), &graph.triangles),
                    shell => (trees.get(shell as usize), &triangles[shell as usize]),
                };
                let nearest =
                    tree.and_then(|tree| tree.nearest(soup(list), surface.points[point], f64::INFINITY));
                nearest.map_or((Place::NOWHERE, 0.0), |nearest| {
                    let corners = list[nearest.triangle as usize];
                    let [a, b, c] = corners.map(|corner| graph.points[corner as usize]);
                    (Place { corners, shares: shares(nearest.point, a, b, c) }, nearest.distance)
                })
            })
            .collect();
        let distances = || placed.iter().map(|one| one.1);
        Self {
            points: whole.points() as u64,
            triangles: whole.corners.len() as u64,
            mean: distances().zip(&mass).map(|(apart, mass)| apart * mass).sum::<f64>()
                / all.max(f64::MIN_POSITIVE),
            largest: distances().fold(0.0, f64::max),
            places: placed.iter().map(|one| one.0).collect(),
        }
    }

    /// Bytes that it takes.
    pub(super) fn bytes(&self) -> usize {
        size_of_val(&*self.places)
    }

    /// The weights of a point of the surface, strongest first, `most` at the most; they add up to one.
    pub fn row(&self, rows: &[Row], point: u32, most: usize) -> Vec<(u32, f64)> {
        let place = &self.places[point as usize];
        let mut sums: Vec<(u32, f64)> = Vec::new();
        for (corner, share) in place.corners.iter().zip(place.shares).filter(|(_, share)| *share > 0.0) {
            for (slot, weight) in rows[*corner as usize].influences() {
                match sums.iter_mut().find(|one| one.0 == slot) {
                    Some(one) => one.1 += weight * f64::from(share),
                    None => sums.push((slot, weight * f64::from(share))),
                }
            }
        }
        sums.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        sums.truncate(most);
        let all: f64 = sums.iter().map(|one| one.1).sum();
        for one in &mut sums {
            one.1 /= all;
        }
        sums
    }
}

/// A third of the area of the triangles around each point of the surface, square metres.
fn masses(surface: &Surface, whole: &Skin) -> Vec<f64> {
    let mut mass = vec![0.0_f64; surface.points.len()];
    for corners in &whole.corners {
        let [a, b, c] = corners.map(|point| surface.points[point as usize]);
        for point in corners {
            mass[*point as usize] += (b - a).cross(c - a).length() / 6.0;
        }
    }
    mass
}

/// For each point of the surface the shell of the graph that it is connected with; nothing where none is left.
fn spread(surface: &Surface, whole: &Skin, graph: &Graph) -> Vec<u32> {
    let shell = |point: &u32| graph.shell_of.get(*point as usize).copied().unwrap_or(NOWHERE);
    let mut shells: Vec<u32> = graph.of_surface.iter().map(shell).collect();
    let (starts, list) = corners_of(surface.points.len(), &whole.corners);
    let mut open: Vec<u32> = graph.surface_point.clone();
    while let Some(point) = open.pop() {
        let range = starts[point as usize] as usize..starts[point as usize + 1] as usize;
        for corner in list[range].iter().flat_map(|triangle| whole.corners[*triangle as usize]) {
            if shells[corner as usize] == NOWHERE {
                shells[corner as usize] = shells[point as usize];
                open.push(corner);
            }
        }
    }
    shells
}

/// The triangles at each point: where each one's begin, and their numbers.
fn corners_of(points: usize, triangles: &[[u32; 3]]) -> (Vec<u32>, Vec<u32>) {
    let mut starts = vec![0_u32; points + 1];
    for corner in triangles.iter().flatten() {
        starts[*corner as usize + 1] += 1;
    }
    for point in 0..points {
        starts[point + 1] += starts[point];
    }
    let mut next = starts.clone();
    let mut list = vec![0_u32; triangles.len() * 3];
    for (number, corners) in triangles.iter().enumerate() {
        for corner in corners {
            list[next[*corner as usize] as usize] = number as u32;
            next[*corner as usize] += 1;
        }
    }
    (starts, list)
}

/// How a place in a triangle divides it: the share of each corner.
fn shares(on: DVec3, a: DVec3, b: DVec3, c: DVec3) -> [f32; 3] {
    let normal = (b - a).cross(c - a);
    let all = normal.length_squared();
    if all > 0.0 {
        let share = |from: DVec3, to: DVec3| ((from - on).cross(to - on).dot(normal) / all).clamp(0.0, 1.0);
        let (second, third) = (share(c, a), share(a, b));
        let first = (1.0 - second - third).clamp(0.0, 1.0);
        return [first, second, third].map(|share| share as f32);
    }
    let apart = [a, b, c].map(|corner| corner.distance_squared(on));
    let nearest = (0..3).min_by(|x, y| apart[*x].total_cmp(&apart[*y])).unwrap_or(0);
    let mut shares = [0.0; 3];
    shares[nearest] = 1.0;
    shares
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_in_a_triangle_is_shared_by_its_corners() {
        let (a, b, c) = (DVec3::ZERO, DVec3::X, DVec3::Y);
        for (on, wanted) in [
            (a, [1.0, 0.0, 0.0]),
            (b, [0.0, 1.0, 0.0]),
            (DVec3::new(0.25, 0.5, 0.0), [0.25, 0.25, 0.5]),
            (DVec3::new(0.5, 0.5, 0.0), [0.0, 0.5, 0.5]),
        ] {
            assert_eq!(shares(on, a, b, c), wanted);
        }
        assert_eq!(shares(b, a, b, b), [0.0, 1.0, 0.0], "without area the nearest corner has all");
    }
}
