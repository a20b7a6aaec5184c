//! A skin with too many points, bound by a smaller mesh: edges are collapsed where that changes the shape least, and what
//! was left out gets the weights of the place of the smaller mesh that it lies at.
//!
//! Collapsing keeps a subset of the points and never joins what is not connected, so fingers stay fingers. A point that is left
//! out looks for its place along the skin, not through the air: a sleeve does not get the weights of the arm in it.

use std::collections::VecDeque;

use glam::DVec3;
use meshopt::{SimplifyOptions, simplify_decoder};

use super::graph::{Graph, Skin, used};
use super::{Refusal, Row};
use crate::body::triangles::closest_point;
use crate::body::{NOWHERE, Soup, Surface, Triangles};

/// A smaller mesh has at most this share of the points that are bound as they are.
const SMALLER: f64 = 0.5;
/// Triangles per point of a closed mesh.
const PER_POINT: f64 = 2.0;
/// Steps from point to point towards the nearest place.
const WALK: usize = 64;

/// Where a point of the skin lies on the smaller mesh.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    /// Corners of a triangle, as points of the graph.
    corners: [u32; 3],
    /// How much of each.
    shares: [f32; 3],
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

/// A smaller mesh of the same skin.
pub(super) fn smaller(surface: &Surface, skin: &Skin, s: f64, most: usize) -> Result<Skin, Refusal> {
    let first = skin.corners.first().map_or(DVec3::ZERO, |corners| surface.points[corners[0] as usize]);
    let places: Vec<[f32; 3]> =
        surface.points.iter().map(|point| ((*point - first) / s).as_vec3().to_array()).collect();
    let wanted = (most as f64 * SMALLER * PER_POINT) as usize * 3;
    let wanted = wanted.min(skin.corners.len() * 3);
    let list =
        simplify_decoder(skin.corners.as_flattened(), &places, wanted, f32::MAX, SimplifyOptions::None, None);
    let corners: Vec<[u32; 3]> = list.as_chunks().0.to_vec();
    let reduced = Skin { used: used(surface.points.len(), &corners), corners, mended: skin.mended };
    if reduced.corners.is_empty() || reduced.points() > most {
        return Err(Refusal::TooLarge);
    }
    Ok(reduced)
}

impl Reduced {
    /// Places every point of the whole skin on the graph of the smaller mesh.
    pub(super) fn new(surface: &Surface, whole: &Skin, graph: &Graph) -> Self {
        let nearest = spread(surface, whole, graph);
        let (ring_starts, ring) = corners_of(graph.points.len(), &graph.triangles);
        let around = |point: u32| {
            &ring[ring_starts[point as usize] as usize..ring_starts[point as usize + 1] as usize]
        };
        let soup = Soup { positions: &graph.points, triangles: &graph.triangles };
        // A shell of which nothing is left looks for its place everywhere.
        let mut everywhere: Option<Triangles> = None;
        let mut mass = vec![0.0_f64; surface.points.len()];
        for corners in &whole.corners {
            let [a, b, c] = corners.map(|point| surface.points[point as usize]);
            for point in corners {
                mass[*point as usize] += (b - a).cross(c - a).length() / 6.0;
            }
        }
        let mut this = Self {
            points: whole.points() as u64,
            triangles: whole.corners.len() as u64,
            mean: 0.0,
            largest: 0.0,
            places: vec![Place { corners: [0; 3], shares: [1.0, 0.0, 0.0] }; surface.points.len()],
        };
        let all: f64 = mass.iter().sum();
        for point in (0..surface.points.len()).filter(|point| whole.used[*point]) {
            if graph.of_surface[point] != NOWHERE {
                continue;
            }
            let place = surface.points[point];
            let triangle = if nearest[point] == NOWHERE {
                let tree = everywhere.get_or_insert_with(|| Triangles::new(soup));
                tree.nearest(soup, place, f64::INFINITY).map(|nearest| nearest.triangle)
            } else {
                let at = walk(graph, nearest[point], place, around);
                let apart = |triangle: u32| {
                    let [a, b, c] = soup.corners(triangle);
                    closest_point(place, a, b, c).distance_squared(place)
                };
                around(at).iter().copied().min_by(|a, b| apart(*a).total_cmp(&apart(*b)).then(a.cmp(b)))
            };
            let Some(triangle) = triangle else { continue };
            let [a, b, c] = soup.corners(triangle);
            let on = closest_point(place, a, b, c);
            let apart = on.distance(place);
            this.mean += apart * if all > 0.0 { mass[point] / all } else { 0.0 };
            this.largest = this.largest.max(apart);
            this.places[point] =
                Place { corners: graph.triangles[triangle as usize], shares: shares(on, a, b, c) };
        }
        this
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
        sums.iter_mut().for_each(|one| one.1 /= all);
        sums
    }
}

/// For each point of the surface the point of the graph that is the fewest edges away; nothing where none is connected.
fn spread(surface: &Surface, whole: &Skin, graph: &Graph) -> Vec<u32> {
    let mut nearest = graph.of_surface.clone();
    let (starts, list) = corners_of(surface.points.len(), &whole.corners);
    let mut queue: VecDeque<u32> = graph.surface_point.iter().copied().collect();
    while let Some(point) = queue.pop_front() {
        let range = starts[point as usize] as usize..starts[point as usize + 1] as usize;
        for corner in list[range].iter().flat_map(|triangle| whole.corners[*triangle as usize]) {
            if nearest[corner as usize] == NOWHERE {
                nearest[corner as usize] = nearest[point as usize];
                queue.push_back(corner);
            }
        }
    }
    nearest
}

/// From a point along edges to points that are nearer to a place, as long as there are any.
fn walk<'r>(graph: &Graph, from: u32, place: DVec3, around: impl Fn(u32) -> &'r [u32]) -> u32 {
    let apart = |point: u32| graph.points[point as usize].distance_squared(place);
    let mut at = from;
    for _ in 0..WALK {
        let corners = around(at).iter().flat_map(|triangle| graph.triangles[*triangle as usize]);
        let Some(next) = corners.min_by(|a, b| apart(*a).total_cmp(&apart(*b)).then(a.cmp(b))) else { break };
        if apart(next) >= apart(at) {
            break;
        }
        at = next;
    }
    at
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
