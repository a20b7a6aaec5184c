//! What closes a surface, so that a ray tells its winding number: over every border a fan of triangles about its middle.
//!
//! A surface and its fans together have no border, so whatever ray leaves a point crosses them as often, by sides, as
//! they wind about it. What the fans alone wind is taken away again; they are few. Nothing is asked of the surface: an
//! edge of three triangles, or of two that disagree about their sides, is a border as often as its triangles do not
//! cancel out.

use glam::DVec3;
use rayon::prelude::*;

use super::crossings::Way;
use super::far::Moments;
use super::sets::{join, root};
use super::triangles::{Soup, Triangles};

/// Fans of more than this share of the surface's triangles do not pay.
const MOST: f64 = 0.5;
/// Of surfaces with more triangles the edges are not looked at: sorting them takes 48 bytes for each.
const MOST_TRIANGLES: usize = 4_000_000;

/// The fans.
#[derive(Debug)]
pub(super) struct Caps {
    positions: Vec<DVec3>,
    triangles: Vec<[u32; 3]>,
    tree: Triangles,
    moments: Moments,
}

impl Caps {
    /// The fans of a surface; nothing where there would be too many.
    pub(super) fn new(soup: Soup<'_>) -> Option<Self> {
        if soup.triangles.len() > MOST_TRIANGLES {
            return None;
        }
        Self::up_to(MOST * soup.triangles.len() as f64, soup)
    }

    fn up_to(most: f64, soup: Soup<'_>) -> Option<Self> {
        let places = places(soup.positions);
        let borders = borders(soup, &places);
        let wanted: u64 = borders.iter().map(|border| u64::from(border.times)).sum();
        if wanted as f64 > most {
            return None;
        }
        let rings = rings(&borders, &places);
        let mut middles = vec![(DVec3::ZERO, 0_u32); soup.positions.len()];
        for border in &borders {
            let middle = &mut middles[rings[border.from as usize] as usize];
            (middle.0, middle.1) = (middle.0 + soup.positions[border.from as usize], middle.1 + 1);
        }
        let (mut positions, mut triangles) = (Vec::new(), Vec::with_capacity(wanted as usize));
        for border in &borders {
            let (sum, count) = middles[rings[border.from as usize] as usize];
            let first = positions.len() as u32;
            // Against the surface's own direction.
            let [from, to] = [border.from, border.to].map(|vertex| soup.positions[vertex as usize]);
            positions.extend([to, from, sum / f64::from(count)]);
            for _ in 0..border.times {
                triangles.push([first, first + 1, first + 2]);
            }
        }
        let own = Soup { positions: &positions, triangles: &triangles };
        let tree = Triangles::new(own);
        let moments = Moments::new(&tree, own);
        Some(Self { positions, triangles, tree, moments })
    }

    /// What is to be added to the surface's own crossings: the fans' crossings less what they wind.
    pub(super) fn share(&self, point: DVec3, way: Way) -> f64 {
        if self.triangles.is_empty() {
            return 0.0;
        }
        let soup = Soup { positions: &self.positions, triangles: &self.triangles };
        f64::from(self.tree.crossings(soup, point, way)) - self.moments.winding(&self.tree, soup, point)
    }
}

/// An edge that is run along this many times more often one way than back.
#[derive(Debug, Clone, Copy)]
struct Border {
    from: u32,
    to: u32,
    times: u32,
}

/// For each vertex the first one of those at exactly its place.
fn places(positions: &[DVec3]) -> Vec<u32> {
    // Nought and minus nought are one place.
    let key = |vertex: u32| (positions[vertex as usize] + DVec3::ZERO).to_array().map(f64::to_bits);
    let mut order: Vec<u32> = (0..positions.len() as u32).collect();
    order.par_sort_unstable_by_key(|vertex| (key(*vertex), *vertex));
    let mut places = vec![0; positions.len()];
    let mut first = 0;
    for vertex in order {
        if key(vertex) != key(first) || vertex == first {
            first = vertex;
        }
        places[vertex as usize] = first;
    }
    places
}

fn borders(soup: Soup<'_>, places: &[u32]) -> Vec<Border> {
    let mut runs: Vec<(u64, bool)> = Vec::with_capacity(3 * soup.triangles.len());
    for triangle in soup.triangles {
        let corners = triangle.map(|vertex| places[vertex as usize]);
        for k in 0..3 {
            let (from, to) = (corners[k], corners[(k + 1) % 3]);
            if from != to {
                runs.push(((u64::from(from.min(to)) << 32) | u64::from(from.max(to)), from < to));
            }
        }
    }
    runs.par_sort_unstable();
    let mut borders = Vec::new();
    for edge in runs.chunk_by(|a, b| a.0 == b.0) {
        let up = edge.iter().filter(|run| run.1).count();
        let down = edge.len() - up;
        let (low, high) = ((edge[0].0 >> 32) as u32, edge[0].0 as u32);
        let (from, to) = if up > down { (low, high) } else { (high, low) };
        let times = up.abs_diff(down) as u32;
        if times > 0 {
            borders.push(Border { from, to, times });
        }
    }
    borders
}

/// The lowest vertex of the ring of borders that a vertex is on.
fn rings(borders: &[Border], places: &[u32]) -> Vec<u32> {
    let mut above: Vec<u32> = (0..places.len() as u32).collect();
    for border in borders {
        join(&mut above, border.from, border.to);
    }
    for vertex in 0..above.len() as u32 {
        above[vertex as usize] = root(&mut above, vertex);
    }
    above
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    /// A cube of side two about nought, facing outward, without the triangles that `but` names.
    fn cube(but: &[usize]) -> (Vec<DVec3>, Vec<[u32; 3]>) {
        let at = |bits: u32| DVec3::from_array([0, 1, 2].map(|k| f64::from(bits >> k & 1) * 2.0 - 1.0));
        let faces = [[0, 4, 6, 2], [1, 3, 7, 5], [0, 1, 5, 4], [2, 6, 7, 3], [0, 2, 3, 1], [4, 5, 7, 6]];
        let triangles = faces.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]);
        let kept = triangles.enumerate().filter(|(index, _)| !but.contains(index)).map(|one| one.1);
        ((0..8).map(at).collect(), kept.collect())
    }

    fn winding(positions: &[DVec3], triangles: &[[u32; 3]], point: DVec3) -> f64 {
        let soup = Soup { positions, triangles };
        let tree = Triangles::new(soup);
        let way = tree.way_out(point);
        f64::from(tree.crossings(soup, point, way))
            + Caps::up_to(f64::INFINITY, soup).unwrap().share(point, way)
    }

    /// By symmetry a face of a cube is a sixth of what is seen from its middle, and half a face a twelfth.
    #[test]
    fn a_hole_takes_away_what_it_shows() {
        for (but, wanted) in
            [(&[][..], 1.0), (&[3], 11.0 / 12.0), (&[4, 5], 5.0 / 6.0), (&[0, 1, 2, 3], 4.0 / 6.0)]
        {
            let (positions, triangles) = cube(but);
            let found = winding(&positions, &triangles, DVec3::ZERO);
            assert!((found - wanted).abs() < 1e-12, "{but:?}: {found} for {wanted}");
        }
    }

    /// Rays through corners, edges and diagonals of a closed surface are counted as any other.
    #[test]
    fn no_ray_slips_through_an_edge_or_counts_it_twice() {
        let (positions, triangles) = cube(&[]);
        // Corners apart, as along a texture's seam: places count, not numbers.
        let apart: Vec<DVec3> =
            triangles.iter().flatten().map(|vertex| positions[*vertex as usize]).collect();
        let own: Vec<[u32; 3]> = (0..triangles.len() as u32).map(|t| [3 * t, 3 * t + 1, 3 * t + 2]).collect();
        let steps = [-1.5, -1.0, -0.5, -0.25, 0.0, 0.25, 0.5, 1.0, 1.5];
        for x in steps {
            for y in steps {
                for z in steps {
                    let point = DVec3::new(x, y, z);
                    let most = point.abs().max_element();
                    if most != 1.0 {
                        let wanted = if most < 1.0 { 1.0 } else { 0.0 };
                        assert_eq!(winding(&positions, &triangles, point), wanted, "{point}");
                        assert_eq!(winding(&apart, &own, point), wanted, "{point}");
                    }
                }
            }
        }
    }

    /// Two cubes in one another wind twice; one that faces inward takes one away; triangles that disagree about their
    /// sides do not cancel out.
    #[test]
    fn surfaces_add_up() {
        let (positions, triangles) = cube(&[]);
        let inward = triangles.iter().map(|[a, b, c]| [*a, *c, *b]);
        let point = DVec3::new(0.1, 0.2, -0.3);
        let twice: Vec<_> = triangles.iter().copied().chain(triangles.iter().copied()).collect();
        assert_eq!(winding(&positions, &twice, point), 2.0);
        let none: Vec<_> = triangles.iter().copied().chain(inward).collect();
        assert_eq!(winding(&positions, &none, point), 0.0);
        let mut turned = triangles;
        turned[0].swap(0, 1);
        turned[1].swap(0, 1);
        let found = winding(&positions, &turned, DVec3::ZERO);
        assert!((found - 4.0 / 6.0).abs() < 1e-12, "{found}");
    }

    #[test]
    fn a_heap_of_single_triangles_is_not_closed() {
        let positions: Vec<DVec3> =
            (0..30).map(|k| DVec3::new(f64::from(k), f64::from(k * k % 7), 0.5)).collect();
        let triangles: Vec<[u32; 3]> = (0..10).map(|k| [3 * k, 3 * k + 1, 3 * k + 2]).collect();
        assert!(Caps::new(Soup { positions: &positions, triangles: &triangles }).is_none());
    }
}
