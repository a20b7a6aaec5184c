//! The body graph: the skin that a trial bind is about, welded, without degenerate and repeated faces, by shells.
//!
//! Points are numbered shell by shell, so that each shell's matrix is a range of rows.

use glam::DVec3;

use crate::body::sets::{join, root};
use crate::body::starts::sum_up;
use crate::body::{NOWHERE, Surface};

/// A cotangent beyond this is clamped: a sliver would otherwise decide for its neighbours.
const STEEPEST: f64 = 50.0;
/// The least weight of an edge: obtuse triangles make negative ones, and then weights leave the range 0 to 1.
const LEAST_EDGE: f64 = 1e-3;
/// The least area of a triangle, fraction of S squared.
const LEAST_AREA: f64 = 1e-12;

/// Points that triangles connect.
#[derive(Debug, Clone, Copy)]
pub struct Shell {
    /// The first point.
    pub first: u32,
    /// One past the last point.
    pub end: u32,
    /// Square metres.
    pub area: f64,
    /// The largest extent, metres.
    pub extent: f64,
}

impl Shell {
    /// Its points.
    pub fn range(&self) -> std::ops::Range<usize> {
        self.first as usize..self.end as usize
    }
}

/// What was mended on the way.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Mended {
    /// Vertices that share a point with an earlier one.
    pub welded: u64,
    /// Triangles with two corners at one point, left out.
    pub degenerate: u64,
    /// Triangles that repeat another one's corners, left out.
    pub repeated: u64,
    /// Corners whose cotangent was clamped.
    pub clamped: u64,
    /// Edges whose weight was raised to the least.
    pub raised: u64,
    /// Edges in all.
    pub edges: u64,
}

/// The body graph.
#[derive(Debug)]
pub struct Graph {
    /// Metres.
    pub points: Vec<DVec3>,
    /// The graph's point of each point of the surface; `u32::MAX` for those that are not part of it.
    pub of_surface: Vec<u32>,
    /// The surface's point of each point.
    pub surface_point: Vec<u32>,
    /// Corners.
    pub triangles: Vec<[u32; 3]>,
    /// A third of the area of the triangles around each point, square metres; never nothing.
    pub mass: Vec<f64>,
    /// Shells, in order.
    pub shells: Vec<Shell>,
    /// The shell of each point.
    pub shell_of: Vec<u32>,
    /// Whether a point lies on an open border.
    pub border: Vec<bool>,
    /// All of it, square metres.
    pub area: f64,
    /// What was mended.
    pub mended: Mended,
    /// Where each point's edges to higher points begin.
    pub(super) starts: Vec<u32>,
    /// The higher ends, ascending.
    pub(super) ends: Vec<u32>,
    /// Half the sum of the cotangents opposite to each edge.
    pub(super) stiffness: Vec<f64>,
}

/// The triangles that a graph is made of, as points of the surface.
#[derive(Debug)]
pub struct Skin {
    /// Corners.
    pub corners: Vec<[u32; 3]>,
    /// Whether a point is a corner of any.
    pub used: Vec<bool>,
    /// What was mended so far.
    pub mended: Mended,
}

impl Skin {
    /// Those triangles of a surface that `wanted` accepts (by number), each once, without degenerate ones.
    pub fn new(surface: &Surface, wanted: impl Fn(u32) -> bool) -> Self {
        let mut mended = Mended::default();
        let mut corners: Vec<[u32; 3]> = Vec::new();
        for triangle in (0..surface.triangles.len() as u32).filter(|triangle| wanted(*triangle)) {
            let [a, b, c] = surface.corner_points(triangle);
            if a == b || b == c || c == a || [a, b, c].contains(&NOWHERE) {
                mended.degenerate += 1;
            } else {
                corners.push([a, b, c]);
            }
        }
        mended.repeated = drop_repeated(&mut corners);
        let used = used(surface.points.len(), &corners);
        let members = (0..surface.points.len()).filter(|point| used[*point]);
        mended.welded = members.map(|point| surface.members(point as u32).len() as u64 - 1).sum();
        Self { corners, used, mended }
    }

    /// How many points it has.
    pub fn points(&self) -> usize {
        self.used.iter().filter(|used| **used).count()
    }
}

/// Whether each of so many points is a corner of any triangle.
pub(super) fn used(points: usize, corners: &[[u32; 3]]) -> Vec<bool> {
    let mut used = vec![false; points];
    for point in corners.iter().flatten() {
        used[*point as usize] = true;
    }
    used
}

impl Graph {
    /// The graph of those triangles of a surface that `wanted` accepts (by number).
    pub fn new(surface: &Surface, s: f64, wanted: impl Fn(u32) -> bool) -> Self {
        Self::of(surface, s, &Skin::new(surface, wanted))
    }

    /// The graph of some triangles of a surface.
    pub fn of(surface: &Surface, s: f64, skin: &Skin) -> Self {
        let Skin { corners, used, mended } = skin;
        let mut up: Vec<u32> = (0..surface.points.len() as u32).collect();
        for [a, b, c] in corners {
            join(&mut up, *a, *b);
            join(&mut up, *b, *c);
        }
        // Shells by their lowest point, points by shell and number.
        let mut shell_at = vec![NOWHERE; surface.points.len()];
        let mut sizes: Vec<u32> = Vec::new();
        for point in (0..surface.points.len() as u32).filter(|point| used[*point as usize]) {
            let top = root(&mut up, point);
            if shell_at[top as usize] == NOWHERE {
                shell_at[top as usize] = sizes.len() as u32;
                sizes.push(0);
            }
            shell_at[point as usize] = shell_at[top as usize];
            sizes[shell_at[point as usize] as usize] += 1;
        }
        let mut next = sizes.clone();
        sum_up(&mut next);
        let count = sizes.iter().sum::<u32>() as usize;
        let mut this = Self {
            points: vec![DVec3::ZERO; count],
            of_surface: vec![NOWHERE; surface.points.len()],
            surface_point: vec![0; count],
            triangles: Vec::new(),
            mass: vec![0.0; count],
            shells: Vec::with_capacity(sizes.len()),
            shell_of: vec![0; count],
            border: vec![false; count],
            area: 0.0,
            mended: *mended,
            starts: Vec::new(),
            ends: Vec::new(),
            stiffness: Vec::new(),
        };
        for (first, size) in next.iter().zip(&sizes) {
            this.shells.push(Shell { first: *first, end: first + size, area: 0.0, extent: 0.0 });
        }
        for point in (0..surface.points.len()).filter(|point| used[*point]) {
            let place = &mut next[shell_at[point] as usize];
            this.points[*place as usize] = surface.points[point];
            this.surface_point[*place as usize] = point as u32;
            this.of_surface[point] = *place;
            this.shell_of[*place as usize] = shell_at[point];
            *place += 1;
        }
        this.triangles =
            corners.iter().map(|corners| corners.map(|point| this.of_surface[point as usize])).collect();
        this.measure(s);
        this
    }

    /// Masses, shells' sizes and the stiffness of edges.
    fn measure(&mut self, s: f64) {
        let least = LEAST_AREA * s * s;
        let count = self.points.len();
        let mut starts = vec![0_u32; count + 1];
        let sides = |[a, b, c]: [u32; 3]| [(a, b), (b, c), (c, a)];
        for corners in &self.triangles {
            for (a, b) in sides(*corners) {
                starts[a.min(b) as usize] += 1;
            }
        }
        sum_up(&mut starts);
        let mut next = starts.clone();
        let mut halves = vec![(0_u32, 0.0_f64); self.triangles.len() * 3];
        for corners in &self.triangles {
            let [a, b, c] = corners.map(|point| self.points[point as usize]);
            let area = ((b - a).cross(c - a).length() / 2.0).max(least);
            let shell = self.shell_of[corners[0] as usize] as usize;
            self.shells[shell].area += area;
            self.area += area;
            for point in corners {
                self.mass[*point as usize] += area / 3.0;
            }
            // Each side with the cotangent of the corner across.
            let across = [(a - c).dot(b - c), (b - a).dot(c - a), (c - b).dot(a - b)];
            for ((from, to), dot) in sides(*corners).into_iter().zip(across) {
                let cotangent = dot / (2.0 * area);
                self.mended.clamped += u64::from(cotangent.abs() > STEEPEST);
                let place = &mut next[from.min(to) as usize];
                halves[*place as usize] = (from.max(to), cotangent.clamp(-STEEPEST, STEEPEST) / 2.0);
                *place += 1;
            }
        }
        let mut sums: Vec<u32> = Vec::with_capacity(count + 1);
        for point in 0..count {
            sums.push(self.ends.len() as u32);
            let list = &mut halves[starts[point] as usize..starts[point + 1] as usize];
            list.sort_by_key(|half| half.0);
            for sides in list.chunk_by(|one, other| one.0 == other.0) {
                let weight: f64 = sides.iter().map(|side| side.1).sum();
                self.mended.raised += u64::from(weight < LEAST_EDGE);
                self.ends.push(sides[0].0);
                self.stiffness.push(weight.max(LEAST_EDGE));
                if sides.len() == 1 {
                    self.border[point] = true;
                    self.border[sides[0].0 as usize] = true;
                }
            }
        }
        sums.push(self.ends.len() as u32);
        self.starts = sums;
        self.mended.edges = self.ends.len() as u64;
        for shell in &mut self.shells {
            let points = &self.points[shell.first as usize..shell.end as usize];
            let (low, high) = points
                .iter()
                .fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), p| (low.min(*p), high.max(*p)));
            shell.extent = (high - low).max_element();
        }
    }

    /// Edges from a point to higher ones: the other ends, and their stiffness.
    pub fn edges(&self, point: u32) -> impl Iterator<Item = (u32, f64)> + '_ {
        let range = self.starts[point as usize] as usize..self.starts[point as usize + 1] as usize;
        self.ends[range.clone()].iter().copied().zip(self.stiffness[range].iter().copied())
    }

    /// All neighbours of all points: where each one's begin, and the points.
    pub fn neighbours(&self) -> (Vec<u32>, Vec<u32>) {
        let mut starts = vec![0_u32; self.points.len() + 1];
        for point in 0..self.points.len() as u32 {
            for (other, _) in self.edges(point) {
                starts[point as usize] += 1;
                starts[other as usize] += 1;
            }
        }
        sum_up(&mut starts);
        let mut next = starts.clone();
        let mut list = vec![0; self.ends.len() * 2];
        for point in 0..self.points.len() as u32 {
            for (other, _) in self.edges(point) {
                for (from, to) in [(point, other), (other, point)] {
                    list[next[from as usize] as usize] = to;
                    next[from as usize] += 1;
                }
            }
        }
        (starts, list)
    }

    /// Bytes that it takes.
    pub(super) fn bytes(&self) -> usize {
        size_of_val(&*self.points)
            + size_of_val(&*self.of_surface)
            + size_of_val(&*self.surface_point)
            + size_of_val(&*self.triangles)
            + size_of_val(&*self.mass)
            + size_of_val(&*self.shells)
            + size_of_val(&*self.shell_of)
            + size_of_val(&*self.border)
            + size_of_val(&*self.starts)
            + size_of_val(&*self.ends)
            + size_of_val(&*self.stiffness)
    }

    /// The shell with the largest area.
    pub fn main_shell(&self) -> Option<usize> {
        (0..self.shells.len())
            .max_by(|a, b| self.shells[*a].area.total_cmp(&self.shells[*b].area).then(b.cmp(a)))
    }
}

/// Keeps the first of triangles that have the same corners, in order.
pub(super) fn drop_repeated(corners: &mut Vec<[u32; 3]>) -> u64 {
    let mut keyed: Vec<([u32; 3], u32)> = corners
        .iter()
        .enumerate()
        .map(|(number, corners)| {
            let mut key = *corners;
            key.sort_unstable();
            (key, number as u32)
        })
        .collect();
    keyed.sort_unstable();
    let mut repeated = vec![false; corners.len()];
    for pair in keyed.windows(2).filter(|pair| pair[0].0 == pair[1].0) {
        repeated[pair[1].1 as usize] = true;
    }
    let before = corners.len();
    let mut at = 0;
    corners.retain(|_| {
        at += 1;
        !repeated[at - 1]
    });
    (before - corners.len()) as u64
}
