//! The sweep against closed forms (derivation: two joints, weights 1 − w and w, turned by θ against each other; each
//! formula stands beside its test), and what it must be silent about.
#![allow(clippy::approx_constant, reason = "values as the sheet prints them")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::report::{NotRunStatus, Report};
use condyle_core::sweep::{Turn, skinning, unavoidable};
use condyle_core::testing::build;
use glam::{DMat4, DQuat, DVec3};

/// A cylinder of radius 1 along Y: this many sides and rings.
const SIDES: usize = 96;
const RINGS: usize = 401;
/// Falloff from −2 to 2.
const HALF: f64 = 2.0;

fn intake(bytes: &[u8]) -> Intake {
    let model = Some(Upload { name: "rig", bytes });
    read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap()
}

/// Rings of the cylinder, weights going straight from 0 to 1, with the second joint at the middle turned.
fn posed(axis: DVec3, degrees: f64) -> (Vec<DVec3>, Vec<DVec3>) {
    let mut rig = intake(
        &build("gltf\njoint low at 0 -4 0 parent none\njoint high at 0 0 0 tip 0 4 0\nbody tubes radius 1\n")
            .unwrap(),
    )
    .rig;
    let primitive = &mut rig.meshes[0].primitives[0];
    primitive.positions.clear();
    primitive.triangles.clear();
    primitive.influences.truncate(1);
    primitive.influences[0].joints.clear();
    primitive.influences[0].weights.clear();
    let slot = |name: &str| {
        let is =
            |joint: &condyle_core::model::JointId| rig.joints[joint.index()].name.as_deref() == Some(name);
        rig.skins[0].joints.iter().position(is).unwrap() as u16
    };
    let (low, high) = (slot("low"), slot("high"));
    for ring in 0..RINGS {
        let w = ring as f64 / (RINGS - 1) as f64;
        for side in 0..SIDES {
            let (sin, cos) = (std::f64::consts::TAU * side as f64 / SIDES as f64).sin_cos();
            let y = HALF * (2.0 * w - 1.0);
            primitive.positions.push([cos as f32, y as f32, sin as f32]);
            primitive.influences[0].joints.push([low, high, 0, 0]);
            primitive.influences[0].weights.push([1.0 - w as f32, w as f32, 0.0, 0.0]);
        }
    }
    let node = rig.joints.iter().find(|joint| joint.name.as_deref() == Some("high")).unwrap().node.unwrap();
    let turn = DMat4::from_quat(DQuat::from_axis_angle(axis, degrees.to_radians()));
    let place = |turn: DMat4| -> Vec<DVec3> {
        let worlds = skinning::posed_nodes(&rig, |one| if one == node { turn } else { DMat4::IDENTITY });
        let skin = condyle_core::model::SkinId(0);
        skinning::skin(&rig, skin, 0, 0, &worlds).into_iter().map(|p| p.unwrap()).collect()
    };
    (place(DMat4::IDENTITY), place(turn))
}

/// The area of a ring's polygon, seen along Y or across its own plane.
fn area(ring: &[DVec3]) -> f64 {
    let middle = ring.iter().sum::<DVec3>() / ring.len() as f64;
    let each = |k: usize| (ring[k] - middle).cross(ring[(k + 1) % ring.len()] - middle);
    (0..ring.len()).map(each).sum::<DVec3>().length() / 2.0
}

fn ring(points: &[DVec3], number: usize) -> &[DVec3] {
    &points[number * SIDES..(number + 1) * SIDES]
}

/// Signed volume of cones from the origin to the side of the zone.
fn cone(points: &[DVec3]) -> f64 {
    let mut sum = 0.0;
    for ring in 0..RINGS - 1 {
        for side in 0..SIDES {
            let at = |ring: usize, side: usize| points[ring * SIDES + side % SIDES];
            let (a, b, c, d) =
                (at(ring, side), at(ring, side + 1), at(ring + 1, side), at(ring + 1, side + 1));
            sum += a.dot(b.cross(c)) + b.dot(d.cross(c));
        }
    }
    (sum / 6.0).abs()
}

/// The zone's volume: its side and the fans that close it at both ends.
fn volume(points: &[DVec3]) -> f64 {
    let fan = |ring: &[DVec3]| {
        let middle = ring.iter().sum::<DVec3>() / ring.len() as f64;
        (0..ring.len()).map(|k| middle.dot(ring[k].cross(ring[(k + 1) % ring.len()]))).sum::<f64>() / 6.0
    };
    let mut side = 0.0;
    for number in 0..RINGS - 1 {
        for k in 0..SIDES {
            let at = |ring: usize, k: usize| points[ring * SIDES + k % SIDES];
            let (a, b, c, d) = (at(number, k), at(number, k + 1), at(number + 1, k), at(number + 1, k + 1));
            side += (a.dot(b.cross(c)) + b.dot(d.cross(c))) / 6.0;
        }
    }
    (side - fan(ring(points, 0)) + fan(ring(points, RINGS - 1))).abs()
}

/// Twist by θ: the radius at w is √(1 − 4 w (1 − w) sin²(θ/2)), the angle atan2(w sin θ, 1 − w + w cos θ).
#[test]
fn a_twist_shrinks_each_ring_by_the_closed_form() {
    // w, θ, radius, angle; at one half cos(θ/2) and θ/2.
    for (number, degrees, radius, angle) in [
        (200, 30.0, 0.965_926, 15.0),
        (200, 60.0, 0.866_025, 30.0),
        (200, 90.0, 0.707_107, 45.0),
        (200, 120.0, 0.5, 60.0),
        (200, 150.0, 0.258_819, 75.0),
        (100, 90.0, 0.790_569, 18.434_9),
        (100, 150.0, 0.547_942, 13.186_8),
    ] {
        let (rest, posed) = posed(DVec3::Y, degrees);
        for (before, after) in ring(&rest, number).iter().zip(ring(&posed, number)) {
            let flat = |p: &DVec3| DVec3::new(p.x, 0.0, p.z);
            assert!((flat(after).length() - radius).abs() < 2e-6, "{degrees}: {after}");
            let turned = flat(before).angle_between(flat(after)).to_degrees();
            assert!((turned - angle).abs() < 2e-4, "{degrees}: {turned}");
        }
    }
    // cos(90°) = 0.
    let (_, posed) = posed(DVec3::Y, 180.0);
    assert!(ring(&posed, 200).iter().all(|p| DVec3::new(p.x, 0.0, p.z).length() < 2e-6));
}

/// Of the zone's volume 1 − ⅔ sin²(θ/2) remains in a twist, of the seam's area cos²(θ/2).
#[test]
fn a_twist_keeps_a_third_of_the_volume_at_a_half_turn() {
    for (degrees, kept, seam) in [(90.0, 0.666_7, 0.5), (180.0, 0.333_3, 0.0)] {
        let (rest, posed) = posed(DVec3::Y, degrees);
        let share = volume(&posed) / volume(&rest);
        assert!((share - kept).abs() < 1.1e-4, "{degrees}: {share}");
        let share = area(ring(&posed, 200)) / area(ring(&rest, 200));
        assert!((share - seam).abs() < 1e-5, "{degrees}: {share}");
    }
}

/// A bend shrinks the seam by cos(θ/2) across the axis only; its zone keeps 1 − ⅓ sin²(θ/2).
#[test]
fn a_bend_shrinks_the_seam_by_the_cosine_of_half_its_angle() {
    for (degrees, seam) in [(60.0, 0.866_025), (90.0, 0.707_107), (120.0, 0.5)] {
        let (rest, posed) = posed(DVec3::X, degrees);
        let share = area(ring(&posed, 200)) / area(ring(&rest, 200));
        assert!((share - seam).abs() < 2e-6, "{degrees}: {share}");
        // Along the axis nothing changes.
        let widest = ring(&posed, 200).iter().map(|p| p.x).fold(0.0, f64::max);
        assert!((widest - 1.0).abs() < 1e-6);
    }
    // At 60°: 1 − 1/3 · 1/4.
    let (rest, posed) = posed(DVec3::X, 60.0);
    let share = volume(&posed) / volume(&rest);
    assert!((share - (1.0 - 0.25 / 3.0)).abs() < 1.1e-4, "{share}");
}

/// The cones about the joint keep cos²(θ/2) in a twist and 1 − ½ sin²(θ/2) in a bend.
#[test]
fn what_a_perfect_blend_must_lose_is_the_closed_form() {
    for degrees in [45.0, 90.0] {
        for (axis, turn) in [(DVec3::Y, Turn::Twist), (DVec3::X, Turn::Swing)] {
            let (rest, posed) = posed(axis, degrees);
            let lost = 1.0 - cone(&posed) / cone(&rest);
            assert!((lost - unavoidable(turn, degrees)).abs() < 1e-4, "{turn:?} {degrees}: {lost}");
        }
    }
    // sin²(45°) = 1/2; half of it.
    assert!((unavoidable(Turn::Twist, 90.0) - 0.5).abs() < 1e-12);
    assert!((unavoidable(Turn::Swing, 90.0) - 0.25).abs() < 1e-12);
}

fn report(bytes: &[u8], sweep: Option<bool>) -> Report {
    let profile = Profile::realtime();
    let request = Request { sweep, ..Request::all(&profile, "2026-01-01".parse().unwrap()) };
    run(&intake(bytes), &request, &Unobserved).unwrap()
}

const STALK: &str = "gltf\njoint stalk at 0 0.2 0 parent none\njoint lure at 0 0.6 0 tip 0 1 0\n\
    body tubes radius 0.04 rings 16 sides 12\n";

/// A root takes everything along: its field is one everywhere, so that nothing is left to be measured.
#[test]
fn a_root_alone_moves_everything_rigidly() {
    let text = format!("{STALK}mutate row 0 384 stalk 0.7 lure 0.3\n");
    let read = intake(&build(&text).unwrap());
    let facts = Facts::new(&read.rig);
    let root =
        facts.sweep().joints.iter().find(|swept| facts.tree().parent[swept.joint.index()].is_none()).unwrap();
    assert!(root.radius.is_none() && root.damage.is_none() && root.bumps.is_none());
    assert!(
        facts.sweep().leaks.is_empty() && facts.sweep().holes.is_empty() && facts.sweep().tears.is_empty()
    );
}

/// A character of rigid pieces is not swept, and the report says why.
#[test]
fn a_rigidly_bound_character_is_silent() {
    let text = format!("{STALK}mutate row 0 192 stalk 1\nmutate row 192 192 lure 1\n");
    let report = report(&build(&text).unwrap(), Some(true));
    assert!(report.findings.iter().all(|finding| !finding.check.starts_with("sweep/")));
    let idle: Vec<_> = report.not_run.iter().filter(|n| n.check.starts_with("sweep/")).collect();
    assert!(idle.len() == 9 && idle.iter().all(|n| n.reason.contains("rigid pieces")), "{idle:?}");
}

#[test]
fn the_family_runs_where_it_is_asked_for() {
    let spoilt = build(&format!("{STALK}mutate row 192 2 stalk 0.75 lure 0.25\n")).unwrap();
    let torn = |report: &Report| report.findings.iter().any(|finding| finding.check == "sweep/tear");
    let unasked = report(&spoilt, None);
    assert!(!torn(&unasked));
    let why = unasked.not_run.iter().find(|n| n.check == "sweep/tear").unwrap();
    assert_eq!(
        (why.status, why.reason.as_str()),
        (NotRunStatus::Disabled, "the pose sweep was not asked for")
    );
    assert!(torn(&report(&spoilt, Some(true))));
    // A profile may ask for it, and the request may say no to that.
    let text = "profile = \"condyle.profile/1\"\nname = \"shots\"\nabout = \"with poses\"\nsweep = true\n";
    let profile = Profile::read(text).unwrap();
    assert_ne!(profile.reference().digest, Profile::realtime().reference().digest);
    let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
    let read = intake(&spoilt);
    assert!(torn(&run(&read, &request, &Unobserved).unwrap()));
    request.sweep = Some(false);
    assert!(!torn(&run(&read, &request, &Unobserved).unwrap()));
}

/// Every joint above every influence costs: a chain of thousands of joints, all of them on every vertex, is bounded.
#[test]
fn deep_chains_are_bounded_and_what_is_left_out_is_said() {
    let joints = 4_000;
    let mut rig = intake(&build(STALK).unwrap()).rig;
    let first = rig.joints.len();
    let (joint, skin) = (rig.joints[1].clone(), rig.skins[0].joints.len());
    for number in 0..joints {
        let mut one = joint.clone();
        one.parent =
            condyle_core::model::Parent::Joint(condyle_core::model::JointId::new(first + number - 1));
        rig.joints.push(one);
        rig.skins[0].joints.push(condyle_core::model::JointId::new(first + number));
    }
    let primitive = &mut rig.meshes[0].primitives[0];
    let places = primitive.positions.clone();
    // Copies of the body, each a shell of its own.
    for copy in 1..40_u16 {
        let base = primitive.positions.len() as u32;
        primitive.positions.extend(places.iter().map(|p| [p[0] + f32::from(copy), p[1], p[2]]));
        let triangles: Vec<_> =
            primitive.triangles[..600].iter().map(|t| t.map(|corner| corner + base)).collect();
        primitive.triangles.extend(triangles);
    }
    let last = (skin + joints - 1) as u16;
    let count = primitive.positions.len();
    primitive.influences[0].joints = vec![[0, last, last - 1, last - 2]; count];
    primitive.influences[0].weights = vec![[0.25; 4]; count];
    let facts = Facts::new(&rig);
    let sweep = facts.sweep();
    assert!(sweep.unswept > 0 && sweep.left_out().is_some(), "{}", sweep.joints.len());
}
