//! Something that a limb turns into.

use glam::{DQuat, DVec3};

use super::{Region, bends};
use crate::model::JointId;
use crate::sweep::poses::axes;
use crate::testing::plant::cloth::Cloth;
use crate::testing::plant::skin::stray::{Bead, normal};
use crate::testing::plant::{Planted, Planter, Site};

pub(in super::super) const PLANTERS: &[Planter] = &[Planter {
    check: "sweep/self-contact",
    band: Some("contact"),
    plan: false,
    gltf: true,
    far: Some(1.0),
    plant: contact,
}];

/// Steps to the planted angle in which the way of the skin is looked at.
const STEPS: u32 = 48;

/// The skin of a joint, and what it turns about.
struct Limb {
    origin: DVec3,
    moving: Vec<[DVec3; 3]>,
    axes: [DVec3; 3],
}

impl Limb {
    /// The first angle at which the skin meets a box when it is turned about an axis, degrees, from nothing up to `most`.
    fn first(&self, bead: &Bead, axis: DVec3, most: f64) -> Option<f64> {
        (0..=STEPS).map(|step| most * f64::from(step) / f64::from(STEPS)).find(|degrees| {
            let turn = DQuat::from_axis_angle(axis, degrees.to_radians());
            let posed = |corner: DVec3| turn * (corner - self.origin) + self.origin;
            self.moving.iter().any(|triangle| bead_meets(bead, triangle.map(posed)))
        })
    }
}

/// How far a place is from a box, along the one of its axes along which it is farthest.
fn bead_gap(bead: &Bead, place: DVec3) -> f64 {
    let side = bead.along.any_orthonormal_vector();
    let axes = [bead.along, side, bead.along.cross(side)];
    axes.iter().map(|axis| axis.dot(place - bead.at).abs()).fold(0.0, f64::max) - bead.half
}

/// Whether a triangle comes into a box: sampled finely, for a triangle that is small or large against it.
fn bead_meets(bead: &Bead, triangle: [DVec3; 3]) -> bool {
    let side = bead.along.any_orthonormal_vector();
    let axes = [bead.along, side, bead.along.cross(side)];
    let local = triangle.map(|corner| axes.map(|axis| axis.dot(corner - bead.at)));
    let beyond = |axis: usize| {
        let along = local.map(|corner| corner[axis]);
        along.iter().all(|at| *at > bead.half) || along.iter().all(|at| *at < -bead.half)
    };
    if (0..3).any(beyond) {
        return false;
    }
    const FINE: u32 = 16;
    (0..=FINE).any(|i| {
        (0..=FINE - i).any(|j| {
            let (u, v) = (f64::from(i) / f64::from(FINE), f64::from(j) / f64::from(FINE));
            let at = |axis: usize| local[0][axis] * (1.0 - u - v) + local[1][axis] * u + local[2][axis] * v;
            (0..3).all(|axis| at(axis).abs() <= bead.half)
        })
    })
}

/// A small box of the parent stands where a joint's skin comes to after so many degrees.
fn contact(site: &mut Site<'_>) -> Option<Planted> {
    let mut cloth = Cloth::new(site)?;
    let points = cloth.points();
    if !bends(&cloth, &points) {
        return None;
    }
    let (facts, s) = (cloth.facts, cloth.facts.s());
    let joints = cloth.joints(site);
    let half = (0.008 + 0.004 * site.random.unit()) * s;
    let found = (0..60).find_map(|_| {
        let (point, joint) = (site.random.pick(&points)?, site.random.pick(&joints)?);
        let region = Region::of(&cloth, &points, joint)?;
        let (origin, place) = (facts.origin(joint), cloth.surface.points[point as usize]);
        let ring = cloth.grown(&[point]);
        let whole = |at: &u32| cloth.sound(*at) && cloth.share(*at, &region.below) > 0.99;
        if !ring.iter().all(whole) || place.distance(origin) < 2.0 * region.radius + 3.0 * half {
            return None;
        }
        // The parent holds the box: whatever turns it turns the limb as well, and so nothing else brings them together.
        let holder = facts.tree().parent[joint.index()].filter(|up| facts.deforms(*up))?;
        cloth.slots(cloth.surface.members(point)[0], &[(holder, 1.0)])?;
        let limb = limb(&cloth, joint, &region, place, site.amount, half);
        let axis = site.random.pick(&limb.axes)? * if site.random.unit() < 0.5 { 1.0 } else { -1.0 };
        let way = axis.cross(place - origin).try_normalize()?;
        let lift = axis.cross(place - origin).length() * site.amount.to_radians();
        // Skin that moves towards its outside, by more than what counts as lying on each other.
        let outward = normal(&cloth, point)?.dot(way).abs() > 0.5;
        if !outward || lift < 0.0045 * s {
            return None;
        }
        let turn = DQuat::from_axis_angle(axis, site.amount.to_radians());
        let along = way.any_orthonormal_vector();
        let at = turn * (place - origin) + origin + turn * way * (half * 1.02);
        let bead = Bead { at, half, along };
        let most = site.amount * 1.15 + 0.3;
        let first = limb.first(&bead, axis, most)?;
        // About no other axis it comes earlier, and nothing lies on the box.
        let earliest = limb
            .axes
            .iter()
            .flat_map(|axis| [*axis, -*axis])
            .filter_map(|axis| limb.first(&bead, axis, most));
        let earliest = earliest.fold(first, f64::min);
        let free = cloth.surface.points.iter().all(|skin| bead_gap(&bead, *skin) > 0.003 * s);
        let right = earliest > 0.9 * site.amount && first < 1.12 * site.amount;
        (free && right).then_some((point, joint, holder, bead))
    });
    let (point, joint, holder, bead) = found?;
    let mesh = bead.add(&mut cloth, point, (holder, holder), (1.0, 1.0))?;
    Some(Planted {
        subjects: vec![site.pointer(joint)],
        what: format!(
            "a box of {} on mesh {mesh} stands in the way of {} after {:.2} degrees",
            site.name(holder),
            site.name(joint),
            site.amount
        ),
        document: cloth.done(),
    })
}

/// The skin of a joint that can come near a place within so many degrees.
fn limb(cloth: &Cloth<'_>, joint: JointId, region: &Region, place: DVec3, degrees: f64, half: f64) -> Limb {
    let origin = cloth.facts.origin(joint);
    let swing = 2.6 * degrees.to_radians() * place.distance(origin) + 4.0 * half;
    let surface = cloth.surface;
    let moving = (0..surface.triangles.len() as u32)
        .filter_map(|triangle| {
            let corners = surface.corner_points(triangle);
            let whole = corners.iter().all(|at| cloth.share(*at, &region.below) >= 0.98);
            let places = corners.map(|at| surface.points[at as usize]);
            let side = places[0].distance(places[1]).max(places[0].distance(places[2]));
            (whole && places[0].distance(place) < swing + side).then_some(places)
        })
        .collect();
    Limb { origin, moving, axes: axes(cloth.facts, joint).map(|axis| axis.direction) }
}
