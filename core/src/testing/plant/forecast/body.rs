//! Faults of the body: too few rings of vertices, and a shape that has no joint.

use glam::DVec3;

use super::plan::{areas, dressed, skin_of};
use crate::body::reach::to_segment;
use crate::testing::plant::{Document, Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[
    Planter {
        check: "forecast/coarse-mesh",
        band: None,
        plan: true,
        gltf: false,
        far: Some(0.6),
        plant: coarse_mesh,
    },
    Planter {
        check: "forecast/unreached",
        band: Some("some"),
        plan: true,
        gltf: false,
        far: Some(0.5),
        plant: unreached,
    },
];

/// The vertices around a hinge are drawn together to rings, so many to a body radius.
fn coarse_mesh(site: &mut Site<'_>) -> Option<Planted> {
    let (plan, mut scene, body) = dressed(site)?;
    let skin = skin_of(site, body);
    let surface = body.surface();
    let hinge = {
        let list: Vec<usize> = (0..site.facts.hinges().len()).collect();
        site.facts.hinges()[site.draw(&list)?]
    };
    // The body radius of the two segments: the median distance of their skin.
    let radius = |joint: crate::model::JointId, from: DVec3, to: DVec3| {
        let list = skin[joint.index()].iter();
        let mut list: Vec<f64> = list.map(|at| to_segment(surface.points[*at as usize], from, to)).collect();
        list.sort_by(f64::total_cmp);
        list.get(list.len() / 2).copied()
    };
    let radius =
        f64::midpoint(radius(hinge.upper, hinge.start, hinge.at)?, radius(hinge.mid, hinge.at, hinge.stop)?);
    let ways = (hinge.at - hinge.start).normalize_or_zero() + (hinge.stop - hinge.at).normalize_or_zero();
    let along = ways.try_normalize()?;
    // A length of two radii, in so many steps.
    let step = 2.0 * radius / site.amount;
    if hinge.upper_length().min(hinge.lower_length()) < 1.2 * radius + 0.5 * step {
        return None;
    }
    // The body has more rings than the limit asks for: else there is nothing to draw together.
    let height = |point: u32| (surface.points[point as usize] - hinge.at).dot(along);
    let beside = |point: u32| (surface.points[point as usize] - hinge.at).reject_from(along).length();
    let near = |point: &u32| height(*point).abs() < radius && beside(*point) < 2.0 * radius;
    let mut steps: Vec<f64> = Vec::new();
    for point in (0..surface.points.len() as u32).filter(near) {
        for next in surface.edges().neighbours(point) {
            let step = (height(*next) - height(point)).abs();
            let length = surface.points[*next as usize].distance(surface.points[point as usize]);
            if step > 0.5 * length {
                steps.push(step);
            }
        }
    }
    steps.sort_by(f64::total_cmp);
    if *steps.get(steps.len() / 2)? * site.limit * 1.25 > 2.0 * radius {
        return None;
    }
    let mut moved = 0;
    for point in 0..surface.points.len() as u32 {
        let place = surface.points[point as usize] - hinge.at;
        let height = place.dot(along);
        let ring = ((height / step).floor() + 0.5) * step;
        let beside = (place - along * height).length();
        // Edges count that begin within a radius; the rings go on for one more.
        if beside > 2.4 * radius || ring.abs() > radius + step {
            continue;
        }
        for vertex in surface.members(point) {
            let part = &surface.parts[surface.part_of(*vertex)];
            let skin = part.skin?;
            let into = body.bind().skins[skin.index()].mesh_to_world.inverse();
            // A little wider or narrower, that no two points become one.
            let off = (place - along * height) * (1.0 + 0.02 * (height - ring) / step);
            let there = into.transform_point3(hinge.at + off + along * ring);
            let list = &mut scene.meshes[part.mesh.index()].positions;
            list[(vertex - part.first_vertex) as usize] = there.to_array().map(|c| c as f32);
            moved += 1;
        }
    }
    Some(Planted {
        document: Document::Dressed(plan, scene),
        subjects: vec![site.pointer(hinge.mid)],
        what: format!(
            "{moved} vertices around {} stand on rings {step:.4} m apart, {} to two radii",
            site.name(hinge.mid),
            site.amount
        ),
    })
}

/// The body has a block in which no joint stands, of so large a share of all skin.
fn unreached(site: &mut Site<'_>) -> Option<Planted> {
    let (plan, mut scene, body) = dressed(site)?;
    let (_, all) = areas(body);
    let s = site.facts.s();
    // Its length is a third of S: smaller shells are moved by one joint as a whole. Two ends w by w, four sides.
    let (length, area) = (0.36 * s, site.amount / (1.0 - site.amount) * all);
    let width = (-4.0 * length + (16.0 * length * length + 8.0 * area).sqrt()) / 4.0;
    let surface = body.surface();
    let (low, high) = surface
        .points
        .iter()
        .fold((DVec3::INFINITY, DVec3::NEG_INFINITY), |(low, high), at| (low.min(*at), high.max(*at)));
    // Beside the body, farther from every joint than their skin.
    let long = site.random.below(3);
    let side = site.random.below(3);
    let mut size = DVec3::splat(width);
    size[long] = length;
    let mut corner = (low + high) / 2.0 - size / 2.0;
    corner[side] =
        if site.random.sign() > 0.0 { high[side] + 0.25 * s } else { low[side] - 0.25 * s - size[side] };
    let part = surface.parts.iter().find(|part| part.skin.is_some())?;
    let into = body.bind().skins[part.skin?.index()].mesh_to_world.inverse();
    let list = &mut scene.meshes[part.mesh.index()];
    let row = list.influences.first()?.clone();
    // Six faces of eight by eight squares; welding joins them.
    let cells = 8_u32;
    for face in 0..6_usize {
        let (axis, far) = (face / 2, face % 2 == 1);
        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
        let first = list.positions.len() as u32;
        for j in 0..=cells {
            for i in 0..=cells {
                let mut at = corner;
                at[axis] += if far { size[axis] } else { 0.0 };
                at[u] += size[u] * f64::from(i) / f64::from(cells);
                at[v] += size[v] * f64::from(j) / f64::from(cells);
                list.positions.push(into.transform_point3(at).to_array().map(|c| c as f32));
                if !list.normals.is_empty() {
                    list.normals.push([0.0, 1.0, 0.0]);
                }
                if !list.colours.is_empty() {
                    list.colours.push([255; 4]);
                }
                list.influences.push(row.clone());
            }
        }
        for j in 0..cells {
            for i in 0..cells {
                let a = first + j * (cells + 1) + i;
                let (b, c, d) = (a + 1, a + cells + 1, a + cells + 2);
                let corners = if far { [a, b, d, a, d, c] } else { [a, d, b, a, c, d] };
                list.indices.extend(corners);
            }
        }
    }
    Some(Planted {
        document: Document::Dressed(plan, scene),
        subjects: vec![String::new()],
        what: format!("a block of {} of all skin has no joint", site.amount),
    })
}
