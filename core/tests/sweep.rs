//! The sweep against closed forms (derivation: two joints, weights 1 − w and w, turned by θ against each other; each
//! formula stands beside its test), and what it must be silent about.
#![allow(clippy::approx_constant, reason = "values as the sheet prints them")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

use condyle_core::check::{Observer, Profile, Request, Unobserved, run};
use condyle_core::demo::character;
use condyle_core::export::{Storage, write_glb};
use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::model::{ChannelPath, Local, NodeId};
use condyle_core::repair::pose_model;
use condyle_core::report::{NotRunStatus, Report};
use condyle_core::sweep::{Blend, Turn, skinning, unavoidable, worst};
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
    posed_by(Blend::Linear, axis, degrees)
}

fn posed_by(blend: Blend, axis: DVec3, degrees: f64) -> (Vec<DVec3>, Vec<DVec3>) {
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
        let drawn = rig.nodes.iter().position(|node| node.skin.is_some()).unwrap();
        let drawn = condyle_core::model::NodeId::new(drawn);
        skinning::skin(&rig, blend, drawn, 0, &worlds).into_iter().map(|p| p.unwrap()).collect()
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

/// By dual quaternions a twist keeps every radius, and turns a ring of weight w by 2 atan2(w sin θ/2, 1 − w + w cos θ/2):
/// the blend of two turns about one axis is a turn about it (Kavan et al. 2007, §4.3).
#[test]
fn dual_quaternions_keep_the_radius_of_a_twist() {
    for degrees in [30.0, 90.0, 150.0, 175.0] {
        let (rest, posed) = posed_by(Blend::DualQuaternion, DVec3::Y, degrees);
        for number in [100, 200, 300] {
            let w = number as f64 / (RINGS - 1) as f64;
            let (sine, cosine) = (f64::to_radians(degrees) / 2.0).sin_cos();
            let angle = 2.0 * (w * sine).atan2(1.0 - w + w * cosine).to_degrees();
            for (before, after) in ring(&rest, number).iter().zip(ring(&posed, number)) {
                let flat = |p: &DVec3| DVec3::new(p.x, 0.0, p.z);
                assert!((flat(after).length() - 1.0).abs() < 2e-6, "{degrees}: {after}");
                assert!((after.y - before.y).abs() < 2e-6);
                let turned = flat(before).angle_between(flat(after)).to_degrees();
                assert!((turned - angle).abs() < 2e-4, "{degrees}: {turned}");
            }
        }
    }
}

/// In a bend by dual quaternions the seam keeps its section (standards.md §6.4: the radius stays 1).
#[test]
fn dual_quaternions_keep_the_seam_of_a_bend() {
    for degrees in [60.0, 90.0, 120.0] {
        let (rest, posed) = posed_by(Blend::DualQuaternion, DVec3::X, degrees);
        let share = area(ring(&posed, 200)) / area(ring(&rest, 200));
        assert!((share - 1.0).abs() < 2e-6, "{degrees}: {share}");
    }
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
    assert!(idle.len() == 10 && idle.iter().all(|n| n.reason.contains("rigid pieces")), "{idle:?}");
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

/// The same bytes give the same report, byte for byte, on one thread and on four.
#[test]
fn the_number_of_threads_changes_nothing() {
    let torn = build(&format!("{STALK}mutate row 192 2 stalk 0.75 lure 0.25\n")).unwrap();
    let crab = write_glb(&character("fiddler-porter", 4_000).unwrap().scene, &Storage::default());
    for bytes in [torn, crab] {
        let texts = [1, 4].map(|threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            pool.install(|| serde_json::to_string(&report(&bytes, Some(true))).unwrap())
        });
        assert!(texts[0].contains("sweep/"));
        assert_eq!(texts[0], texts[1]);
    }
}

/// Ends the sweep after some joints.
struct Impatient(std::sync::atomic::AtomicU64, u64);

impl Observer for Impatient {
    fn joints(&self, done: u64, of: u64) {
        assert!(done <= of);
        self.0.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
    }

    fn cancelled(&self) -> bool {
        self.0.load(std::sync::atomic::Ordering::SeqCst) >= self.1
    }
}

/// A watcher hears of every joint, and can end the sweep between two of them.
#[test]
fn a_sweep_tells_how_far_it_is_and_ends_when_told() {
    let eel = write_glb(&character("lantern-eel", 2_000).unwrap().scene, &Storage::default());
    let read = intake(&eel);
    let profile = Profile::realtime();
    let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
    request.only = vec!["sweep".into()];
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    pool.install(|| {
        let patient = Impatient(0.into(), u64::MAX);
        run(&read, &request, &patient).unwrap();
        let all = patient.0.into_inner();
        assert!(all > 20, "{all}");
        let hasty = Impatient(0.into(), 3);
        let report = run(&read, &request, &hasty).unwrap();
        assert_eq!(hasty.0.into_inner(), 3);
        assert!(report.findings.is_empty());
        let cancelled = report.not_run.iter().filter(|n| n.status == NotRunStatus::Cancelled).count();
        assert!(cancelled >= 9, "{:?}", report.not_run);
    });
}

/// Something stands 5 mm to the right of a hand that points up (+y), in +x of it: by the right hand, a turn about −z takes y to x.
#[test]
fn a_turn_is_told_by_the_right_hand() {
    let text = "gltf\njoint trunk at 0 0 0 parent none\njoint arm_l at 0.1 0.4 0 parent trunk\n\
                joint hand_l at 0.1 0.65 0 tip 0.1 0.9 0\njoint arm_r at -0.1 0.4 0 parent trunk\n\
                joint hand_r at -0.1 0.65 0 tip -0.1 0.9 0\nbody tubes radius 0.03 rings 16 sides 12\n\
                mutate box -0.055 0.88 0 0.01 trunk trunk\n";
    let bytes = build(text).unwrap();
    let report = report(&bytes, Some(true));
    let found: Vec<_> = report.findings.iter().filter(|one| one.check == "sweep/self-contact").collect();
    assert_eq!(found.len(), 2);
    for finding in found {
        assert!(finding.message.contains("° about (0, 0, -1)"), "{}", finding.message);
        let turn = finding.evidence.iter().find(|one| one.quantity.starts_with("turn about")).unwrap();
        assert!(turn.quantity.contains("(0, 0, -1)") && turn.measured > Some(0.0), "{}", turn.quantity);
    }
    // And the worst pose of the hand is that one, turned so.
    let model = intake(&bytes);
    let facts = Facts::new(&model.rig);
    let hand = model.rig.joints.iter().position(|joint| joint.name.as_deref() == Some("hand_r")).unwrap();
    let shown = worst(&facts);
    let one = shown.iter().find(|one| one.joint.index() == hand).unwrap();
    assert_eq!(one.check, "sweep/self-contact");
    let axis = one.pose.axis.direction * one.pose.degrees.signum();
    assert!(axis.dot(DVec3::NEG_Z) > 0.999, "{axis}");
}

/// The worst pose that the clip shows is the one that the finding tells of: posed by the clip's own keys, the point goes as
/// far as it says. Everything but the clip is as it was.
#[test]
fn the_clip_of_worst_poses_shows_what_the_findings_say() {
    let text = "gltf\njoint trunk at 0 0 0 parent none\njoint arm_l at 0.1 0.4 0 parent trunk\n\
                joint hand_l at 0.1 0.65 0 tip 0.1 0.9 0\njoint arm_r at -0.1 0.4 0 parent trunk\n\
                joint hand_r at -0.1 0.65 0 tip -0.1 0.9 0\nbody tubes radius 0.03 rings 16 sides 12\n\
                mutate blend 672 6 hand_r 0.3\n";
    let bytes = build(text).unwrap();
    let bundle = Bundle { model: Some(Upload { name: "arms.glb", bytes: &bytes }), ..Bundle::default() };
    let model = read(&bundle, &Limits::default()).unwrap();
    let facts = Facts::new(&model.rig);
    let posed = pose_model(&bundle, &model, &facts, &Limits::default()).unwrap();
    assert!(posed.poses > 0 && posed.left_out.is_empty());
    let after = intake(&posed.bytes).rig;
    assert_eq!(after.clips.len(), model.rig.clips.len() + 1);
    assert_eq!(after.meshes[0].primitives[0].positions, model.rig.meshes[0].primitives[0].positions);
    let shown = worst(&facts);
    let leak = facts.sweep().gaps.iter().max_by(|a, b| a.moved.total_cmp(&b.moved)).unwrap();
    let number = shown.iter().position(|one| one.joint == leak.posed && one.check == "sweep/leak").unwrap();
    let clip = after.clips.last().unwrap();
    let time = 2.0 * number as f32 + 1.0;
    let at = |time: f32| {
        let local = |node: NodeId| {
            let mut local = after.nodes[node.index()].local;
            for channel in clip.channels.iter().filter(|channel| channel.node == Some(node)) {
                let key = channel.times.iter().rposition(|key| *key <= time).unwrap_or(0);
                let value: Vec<f64> = channel.key(key).unwrap().iter().map(|v| f64::from(*v)).collect();
                let Local::Trs { translation, rotation, .. } = &mut local else { panic!("a matrix") };
                match channel.path {
                    ChannelPath::Translation => *translation = DVec3::from_slice(&value),
                    ChannelPath::Rotation => *rotation = value.try_into().unwrap(),
                    _ => panic!("nothing is scaled here"),
                }
            }
            let Local::Trs { translation, rotation, scale } = local else { panic!("a matrix") };
            DMat4::from_scale_rotation_translation(
                scale,
                DQuat::from_array(rotation).normalize(),
                translation,
            )
        };
        let worlds = skinning::placed_nodes(&after, local);
        let drawn = NodeId::new(after.nodes.iter().position(|node| node.skin.is_some()).unwrap());
        let vertex = facts.surface().members(leak.peak)[0] as usize;
        skinning::skin(&after, Blend::Linear, drawn, 0, &worlds)[vertex].unwrap()
    };
    let moved = at(time).distance(at(0.0));
    assert!((moved - leak.moved).abs() < 1e-5 * facts.s(), "{moved} {}", leak.moved);
    assert!(moved > 0.01 * facts.s());
}

/// Morph targets come before joints (glTF 2.0 §3.7.2.2), a node's own weights before its mesh's (§3.7.2.2, §5.25): three
/// vertices, two targets, by hand.
#[test]
fn default_morph_weights_move_the_skin_before_the_joints_do() {
    let mut bytes: Vec<u8> = Vec::new();
    // Positions; a target one up; a target two to the front.
    let places = [[0.0_f32, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]];
    for list in [places, [[0.0, 1.0, 0.0]; 3], [[0.0, 0.0, 2.0]; 3]] {
        bytes.extend(list.iter().flatten().flat_map(|number| number.to_le_bytes()));
    }
    bytes.extend([0_u8; 12]);
    for _ in 0..3 {
        bytes.extend([1.0_f32, 0.0, 0.0, 0.0].iter().flat_map(|number| number.to_le_bytes()));
    }
    let document = |own: serde_json::Value| {
        use base64::Engine as _;
        let mut body = serde_json::json!({"name": "body", "mesh": 0, "skin": 0});
        if !own.is_null() {
            body["weights"] = own;
        }
        let view = |at: usize, length: usize| serde_json::json!({"buffer": 0, "byteOffset": at, "byteLength": length});
        let three = |view: usize| {
            serde_json::json!({"bufferView": view, "componentType": 5126, "count": 3, "type": "VEC3",
                               "min": [-9, -9, -9], "max": [9, 9, 9]})
        };
        let uri = base64::engine::general_purpose::STANDARD.encode(&bytes);
        serde_json::json!({
            "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0, 1]}],
            "nodes": [{"name": "hips"}, body], "skins": [{"joints": [0]}],
            "meshes": [{"weights": [0.5, 0.25], "primitives": [{
                "attributes": {"POSITION": 0, "JOINTS_0": 3, "WEIGHTS_0": 4},
                "targets": [{"POSITION": 1}, {"POSITION": 2}]}]}],
            "accessors": [three(0), three(1), three(2),
                {"bufferView": 3, "componentType": 5121, "count": 3, "type": "VEC4"},
                {"bufferView": 4, "componentType": 5126, "count": 3, "type": "VEC4"}],
            "bufferViews": [view(0, 36), view(36, 36), view(72, 36), view(108, 12), view(120, 48)],
            "buffers": [{"byteLength": bytes.len(), "uri": format!("data:application/octet-stream;base64,{uri}")}],
        })
        .to_string()
    };
    for (own, up, front) in [
        (serde_json::Value::Null, 0.5, 0.5),
        (serde_json::json!([0.0, 1.0]), 0.0, 2.0),
        (serde_json::json!([2.0, 0.0]), 2.0, 0.0),
    ] {
        let text = document(own);
        let rig = intake(text.as_bytes()).rig;
        let node = NodeId::new(1);
        let turn = DMat4::from_translation(DVec3::X * 3.0);
        let worlds = skinning::posed_nodes(&rig, |one| if one == node { DMat4::IDENTITY } else { turn });
        let skinned = skinning::skin(&rig, Blend::Linear, node, 0, &worlds);
        let facts = Facts::new(&rig);
        for (vertex, place) in places.iter().enumerate() {
            let expected = DVec3::from(place.map(f64::from)) + DVec3::new(0.0, up, front);
            assert!(skinned[vertex].unwrap().distance(expected + DVec3::X * 3.0) < 1e-9);
            assert!(facts.surface().positions[vertex].distance(expected) < 1e-9);
        }
    }
}
