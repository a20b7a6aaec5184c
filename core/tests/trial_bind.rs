//! The trial bind against closed forms, another solver, and what must not change it.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test may fail loudly")]

use std::f64::consts::{FRAC_PI_2, PI, TAU};

use condyle_core::bind::heat::System;
use condyle_core::bind::{Asked, PALETTE, Refusal, TrialBind, Winners, own_skeleton};
use condyle_core::check::{Observer, Profile, Request, Unobserved, run, run_then};
use condyle_core::export::{Scene, SceneMesh, SceneNode, Storage, write_glb};
use condyle_core::facts::Facts;
use condyle_core::finding::Fix;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::repair::{Bound, bind_model};
use condyle_core::report::Finding;
use glam::{DQuat, DVec3};
use serde_json::{Value, json};

/// A mesh before it is written.
#[derive(Clone)]
struct Mesh {
    points: Vec<DVec3>,
    triangles: Vec<[u32; 3]>,
}

/// A capsule of radius 1 about the segment from x = −2 to x = 2: rings of the outline, sides, turned about its axis.
fn capsule(rings: u32, sides: u32, turn: f64) -> Mesh {
    let mut points = vec![DVec3::new(-3.0, 0.0, 0.0)];
    let total = PI + 4.0;
    for ring in 1..rings {
        let t = total * f64::from(ring) / f64::from(rings);
        let (x, r) = if t < FRAC_PI_2 {
            (-2.0 - t.cos(), t.sin())
        } else if t <= FRAC_PI_2 + 4.0 {
            (t - FRAC_PI_2 - 2.0, 1.0)
        } else {
            let u = t - FRAC_PI_2 - 4.0;
            (2.0 + u.sin(), u.cos())
        };
        for side in 0..sides {
            let (sin, cos) = (TAU * f64::from(side) / f64::from(sides) + turn).sin_cos();
            points.push(DVec3::new(x, r * cos, r * sin));
        }
    }
    points.push(DVec3::new(3.0, 0.0, 0.0));
    let last = points.len() as u32 - 1;
    let at = |ring: u32, side: u32| 1 + (ring - 1) * sides + side % sides;
    let mut triangles = Vec::new();
    for side in 0..sides {
        triangles.push([0, at(1, side), at(1, side + 1)]);
        triangles.push([last, at(rings - 1, side + 1), at(rings - 1, side)]);
        for ring in 1..rings - 1 {
            let (a, b) = (at(ring, side), at(ring, side + 1));
            let (c, d) = (at(ring + 1, side), at(ring + 1, side + 1));
            triangles.extend([[a, c, b], [b, c, d]]);
        }
    }
    Mesh { points, triangles }
}

/// A joint from here to there, below the joint of that number.
type Bone = (DVec3, DVec3, Option<usize>);

/// The two halves of the capsule's axis.
fn halves() -> Vec<Bone> {
    vec![(DVec3::new(-2.0, 0.0, 0.0), DVec3::ZERO, None), (DVec3::ZERO, DVec3::new(2.0, 0.0, 0.0), Some(0))]
}

fn glb(mesh: &Mesh) -> Vec<u8> {
    let mut scene = Scene::default();
    scene.meshes.push(SceneMesh {
        name: "body".into(),
        positions: mesh.points.iter().map(|p| p.as_vec3().to_array()).collect(),
        indices: mesh.triangles.iter().flatten().copied().collect(),
        ..SceneMesh::default()
    });
    scene.nodes.push(SceneNode {
        name: Some("body".into()),
        parent: None,
        translation: [0.0; 3],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: Some(0),
        skin: None,
    });
    write_glb(&scene, &Storage::default())
}

fn plan(bones: &[Bone]) -> Value {
    let joint = |(number, (from, to, parent)): (usize, &Bone)| {
        let parent = parent.map(|up| format!("segment_{up}"));
        json!({"name": format!("segment_{number}"), "origin": from.to_array(), "tip": to.to_array(), "parent": parent})
    };
    let joints: Vec<Value> = bones.iter().enumerate().map(joint).collect();
    json!({"schema": "condyle.plan/1", "asset": "capsule", "joints": joints})
}

fn both(mesh: &Mesh, plan: &Value) -> Intake {
    pair(&glb(mesh), plan)
}

fn pair(glb: &[u8], plan: &Value) -> Intake {
    let plan = plan.to_string();
    let upload = |name, bytes| Some(Upload { name, bytes });
    let bundle = Bundle {
        plan: upload("plan.json", plan.as_bytes()),
        model: upload("body.glb", glb),
        ..Bundle::default()
    };
    read(&bundle, &Limits::default()).unwrap()
}

/// Every vertex's weights, joint by joint, after what every bind must hold to.
fn weights(mesh: &Mesh, bones: &[Bone]) -> Vec<Vec<f64>> {
    let intake = both(mesh, &plan(bones));
    let facts = Facts::new(&intake.rig);
    let bind = facts.trial_bind().unwrap();
    assert_eq!(bind.joints.len(), bones.len());
    let surface = facts.surface();
    surface
        .point_of
        .iter()
        .map(|point| {
            let point = bind.graph.of_surface.get(*point as usize).copied().unwrap_or(u32::MAX);
            let Some(row) = bind.rows.get(point as usize) else { return vec![f64::NAN; bones.len()] };
            // The maximum principle, and a sum of one.
            assert!(row.influences().all(|(_, w)| (0.0..=1.0 + 1e-12).contains(&w)));
            assert!((row.influences().map(|one| one.1).sum::<f64>() - 1.0).abs() < 1e-9);
            (0..bones.len() as u32).map(|slot| row.weight(slot)).collect()
        })
        .collect()
}

/// Every vertex's heat, joint by joint: the weights before they fade. Of bodies of one shell.
fn heat(mesh: &Mesh, bones: &[Bone]) -> Vec<Vec<f64>> {
    let intake = both(mesh, &plan(bones));
    let facts = Facts::new(&intake.rig);
    let bind = facts.trial_bind().unwrap();
    assert_eq!(bind.graph.shells.len(), 1);
    let slots: Vec<u32> = (0..bones.len() as u32).collect();
    let system = System::new(&bind.graph, &bind.graph.shells[0], &bind.sights, bind.s).unwrap();
    let fields = system.fields(&bind.sights, &slots);
    let count = bind.graph.points.len();
    let row = |point: &u32| {
        let point = bind.graph.of_surface[*point as usize] as usize;
        let row: Vec<f64> = slots.iter().map(|slot| fields[*slot as usize * count + point]).collect();
        assert!(row.iter().all(|w| (-1e-12..=1.0 + 1e-12).contains(w)), "the maximum principle: {row:?}");
        row
    };
    facts.surface().point_of.iter().map(row).collect()
}

/// On a tube of radius R the field is one along rings: w'' = c/R²·(w − p), so w = 1 − ½·exp(−√c·z/R) beyond the joint's
/// plane and one half in it. With c = 4 and R = 1: 0.8161, 0.9323, 0.9751, 0.9908 at z = ½, 1, 1½, 2. On the cap, with θ
/// from its pole, u = 1 − w has u'' + cot θ·u' = 4u; joined to the tube at θ = 90° it is 0.001549 at the pole (integrated
/// with scipy 1.17.1, solve_ivp, rtol 1e-10).
///
/// At z the nearer half is 1 away and the other √(1 + z²); with R = 1 the other's weight fades exp(−0.4·(√(1 + z²) − 1))
/// times as far as the nearer's. At the pole they are 1 and 3 away: exp(−0.8).
#[test]
fn a_capsule_has_the_weights_of_its_closed_form() {
    // The rings beside the plane are more than a tie away from it.
    let mesh = capsule(150, 64, 0.0);
    let (heat, found) = (heat(&mesh, &halves()), weights(&mesh, &halves()));
    let faded = |other: f64, times: f64| 1.0 - other * times / (1.0 - other + other * times);
    let mut compared = 0;
    for (place, (hot, row)) in mesh.points.iter().zip(heat.iter().zip(&found)) {
        if place.x.abs() < 1e-9 {
            assert!((hot[0] - 0.5).abs() < 1e-6, "the plane between equals: {hot:?}");
            assert!((row[0] - 0.5).abs() < 1e-6, "the plane between equals: {row:?}");
        }
        if (0.0..=2.0).contains(&place.x) {
            let other = 0.5 * (-2.0 * place.x).exp();
            assert!((hot[1] - (1.0 - other)).abs() < 2e-3, "{} at {}: {}", hot[1], place.x, 1.0 - other);
            let wanted = faded(other, (-0.4 * ((1.0 + place.x * place.x).sqrt() - 1.0)).exp());
            assert!((row[1] - wanted).abs() < 2e-3, "{} at {}: {wanted}", row[1], place.x);
            compared += 1;
        }
        assert!((hot[0] + hot[1] - 1.0).abs() < 1e-9 && (row[0] + row[1] - 1.0).abs() < 1e-9);
    }
    assert!(compared > 2_000);
    let last = found.len() - 1;
    for (hot, row) in [(heat[last][1], found[last][1]), (heat[0][0], found[0][0])] {
        assert!((hot - (1.0 - 0.001_549)).abs() < 2e-4, "{hot}");
        assert!((row - faded(0.001_549, (-0.8_f64).exp())).abs() < 1e-4, "{row}");
    }
}

/// `tests/outside/trial_bind.py` makes the fixture with numpy and scipy 1.17.1 (its command is in its first line). The
/// second mesh is not even: many edges there would have a weight below the least.
#[test]
fn another_solver_finds_the_same_weights() {
    let fixture: Value = serde_json::from_str(include_str!("fixtures/trial_bind.json")).unwrap();
    let number = |value: &Value| value.as_f64().unwrap();
    let list = |name: &str| fixture[name].as_array().unwrap().clone();
    let place = |value: &Value| DVec3::new(number(&value[0]), number(&value[1]), number(&value[2]));
    let mesh = Mesh {
        points: list("positions").iter().map(place).collect(),
        triangles: list("triangles")
            .iter()
            .map(|corners| [0, 1, 2].map(|k| u32::try_from(corners[k].as_u64().unwrap()).unwrap()))
            .collect(),
    };
    let bones: Vec<Bone> = list("segments")
        .iter()
        .enumerate()
        .map(|(number_of, ends)| {
            let end = |k: usize| DVec3::new(number(&ends[k]), 0.0, 0.0);
            (end(0), end(1), number_of.checked_sub(1))
        })
        .collect();
    let intake = both(&mesh, &plan(&bones));
    let facts = Facts::new(&intake.rig);
    let mended = facts.trial_bind().unwrap().graph.mended;
    assert_eq!(mended.raised, fixture["raised"].as_u64().unwrap());
    assert_eq!(mended.clamped, fixture["clamped"].as_u64().unwrap());
    let found = heat(&mesh, &bones);
    let wanted = list("weights");
    assert_eq!(found.len(), wanted.len());
    for (ours, theirs) in found.iter().zip(&wanted) {
        for (slot, weight) in ours.iter().enumerate() {
            assert!((weight - number(&theirs[slot])).abs() < 1e-6, "{ours:?} {theirs}");
        }
    }
}

#[test]
fn motion_size_and_order_change_nothing() {
    let mesh = capsule(40, 24, 0.1);
    let bones = halves();
    let before = weights(&mesh, &bones);
    let near = |after: &[Vec<f64>]| {
        let worst = before.iter().flatten().zip(after.iter().flatten()).map(|(a, b)| (a - b).abs());
        worst.fold(0.0, f64::max)
    };
    // Positions are stored as f32: a moved mesh is another one by one part in ten million.
    let turn = DQuat::from_euler(glam::EulerRot::YXZ, 0.7, -1.1, 2.3);
    let move_to = |p: DVec3| turn * (p * 0.37) + DVec3::new(1.0, -2.0, 0.5);
    let moved = Mesh { points: mesh.points.iter().map(|p| move_to(*p)).collect(), ..mesh.clone() };
    let moved_bones: Vec<Bone> = bones.iter().map(|(a, b, up)| (move_to(*a), move_to(*b), *up)).collect();
    let off = near(&weights(&moved, &moved_bones));
    assert!(off < 1e-4, "{off}");
    let count = mesh.points.len();
    let other = |index: usize| (index * 389 + 17) % count;
    assert_ne!(count % 389, 0, "a permutation");
    let mut shuffled = mesh.clone();
    for index in 0..count {
        shuffled.points[other(index)] = mesh.points[index];
    }
    for corners in &mut shuffled.triangles {
        *corners = corners.map(|corner| other(corner as usize) as u32);
        corners.rotate_left(1);
    }
    shuffled.triangles.reverse();
    let after = weights(&shuffled, &bones);
    let off = near(&(0..count).map(|index| after[other(index)].clone()).collect::<Vec<_>>());
    assert!(off < 1e-9, "{off}");
}

/// The same surface with other triangles: rings and sides of another number, turned. Less than 2 % anywhere.
#[test]
fn another_triangulation_of_the_same_surface_has_the_same_weights() {
    let fine = capsule(160, 64, 0.0);
    let reference = weights(&fine, &halves());
    for (rings, sides, turn) in [(36, 24, 0.0), (55, 33, 0.4), (90, 20, 0.2), (40, 48, 1.0)] {
        let mesh = capsule(rings, sides, turn);
        for (place, row) in mesh.points.iter().zip(weights(&mesh, &halves())) {
            // The field is one along rings: the nearest finer rings on both sides say what it is between them.
            let ring = |sign: f64| {
                let beyond = |p: &&(usize, &DVec3)| (p.1.x - place.x) * sign >= -1e-9;
                let list = fine.points.iter().enumerate();
                list.filter(|p| beyond(&p))
                    .min_by(|a, b| (a.1.x - place.x).abs().total_cmp(&(b.1.x - place.x).abs()))
                    .unwrap()
            };
            let (below, above) = (ring(-1.0), ring(1.0));
            let span = above.1.x - below.1.x;
            let share = if span > 1e-9 { (place.x - below.1.x) / span } else { 0.0 };
            let wanted = reference[below.0][1] * (1.0 - share) + reference[above.0][1] * share;
            assert!((row[1] - wanted).abs() < 0.02, "{rings} × {sides}: {} for {wanted} at {place}", row[1]);
        }
    }
}

#[test]
fn what_is_ugly_changes_nothing() {
    let mesh = capsule(30, 16, 0.0);
    let sound = weights(&mesh, &halves());
    let same = |found: &[Vec<f64>], what: &str| {
        for (a, b) in sound.iter().flatten().zip(found.iter().flatten()) {
            assert!((a - b).abs() < 1e-6, "{what}: {a} {b}");
        }
    };
    let mut inside_out = mesh.clone();
    inside_out.triangles.iter_mut().for_each(|corners| corners.swap(0, 1));
    same(&weights(&inside_out, &halves()), "inside out");
    let mut slivers = mesh.clone();
    for corner in 0..30 {
        slivers.triangles.push([corner, corner, corner + 1]);
        slivers.triangles.push(mesh.triangles[corner as usize]);
    }
    same(&weights(&slivers, &halves()), "degenerate and repeated triangles");
    // Every triangle with vertices of its own, as along a seam.
    let mut soup = Mesh { points: Vec::new(), triangles: Vec::new() };
    let mut source = Vec::new();
    for corners in &mesh.triangles {
        let first = soup.points.len() as u32;
        soup.points.extend(corners.map(|corner| mesh.points[corner as usize]));
        source.extend(corners.map(|corner| corner as usize));
        soup.triangles.push([first, first + 1, first + 2]);
    }
    for (row, source) in weights(&soup, &halves()).iter().zip(source) {
        assert!(row.iter().zip(&sound[source]).all(|(a, b)| (a - b).abs() < 1e-6));
    }
}

/// A button of its own on the capsule, one with its field and one joint; and a shell that no joint is inside of.
#[test]
fn a_small_shell_moves_with_one_joint() {
    let mut mesh = capsule(30, 16, 0.0);
    let button = capsule(10, 8, 0.0);
    let first = mesh.points.len() as u32;
    mesh.points.extend(button.points.iter().map(|p| *p * 0.05 + DVec3::new(0.1, 1.02, 0.0)));
    mesh.triangles.extend(button.triangles.iter().map(|corners| corners.map(|corner| corner + first)));
    let found = weights(&mesh, &halves());
    for row in &found[first as usize..] {
        assert_eq!(row, &[0.0, 1.0], "the button lies at x > 0");
    }
    let intake = both(&mesh, &plan(&halves()));
    let facts = Facts::new(&intake.rig);
    let bind = facts.trial_bind().unwrap();
    assert_eq!(bind.shells.iter().map(|shell| shell.rigid).collect::<Vec<_>>(), [None, Some(1)]);
    assert!(bind.shells.iter().all(|shell| (0.0..=1.0).contains(&shell.confidence)));
}

/// The radius of the capsule is 1 all along.
#[test]
fn the_body_radius_of_a_capsule_is_its_radius() {
    let intake = both(&capsule(80, 48, 0.0), &plan(&halves()));
    let facts = Facts::new(&intake.rig);
    let bind: &TrialBind = facts.trial_bind().unwrap();
    // A polygon of 48 sides: its sides are cos(π/48) = 0.9979 away.
    assert!(bind.radius.iter().all(|r| (0.9978..1.0001).contains(r)), "{:?}", bind.radius);
}

/// The weights of the capsule from its own mesh, and from a mesh of a tenth of its points.
#[test]
fn a_large_body_is_bound_by_a_smaller_mesh_and_hardly_differs() {
    let intake = both(&capsule(160, 100, 0.0), &plan(&halves()));
    let (whole, small) = (Facts::new(&intake.rig), Facts::new(&intake.rig));
    assert!(small.bind_on_trial(Asked { most_points: 3_000, ..Asked::default() }, &Unobserved));
    let (whole, small) = (whole.trial_bind().unwrap(), small.trial_bind().unwrap());
    assert!(whole.reduced.is_none());
    let reduced = small.reduced.as_ref().unwrap();
    assert_eq!(reduced.points as usize, whole.graph.points.len());
    assert_eq!(reduced.triangles as usize, whole.graph.triangles.len());
    assert!(small.graph.points.len() <= 3_000, "{}", small.graph.points.len());
    // Little more than a capsule of as many even triangles would be apart: edges of √(8/√3 · area / 2 points), and their sagitta.
    let edge = (8.0 / 3.0_f64.sqrt() * 12.0 * PI / 2.0 / small.graph.points.len() as f64).sqrt();
    assert!(
        reduced.mean > 0.0 && reduced.mean < 3.0 * edge * edge / 8.0,
        "{} against {}",
        reduced.mean,
        edge * edge / 8.0
    );
    assert!(reduced.largest < 0.1, "{}", reduced.largest);
    let (mut sum, mut worst) = (0.0, 0.0_f64);
    for (point, row) in whole.rows.iter().enumerate() {
        let there = small.row_at(whole.graph.surface_point[point], 4);
        assert!((there.iter().map(|one| one.1).sum::<f64>() - 1.0).abs() < 1e-9);
        let weight = there.iter().find(|one| one.0 == 0).map_or(0.0, |one| one.1);
        let apart = (weight - row.weight(0)).abs();
        (sum, worst) = (sum + apart * whole.graph.mass[point], worst.max(apart));
    }
    let mean = sum / whole.graph.area;
    // As much as another triangulation of the surface may change.
    assert!(mean < 0.02 && worst < 0.1, "{mean} on average, {worst} at most");
}

/// Crumbs too small for any grid: what is left of them stands for the others, and how far off that is is told.
#[test]
fn a_body_of_many_pieces_is_bound_by_some_of_them_or_refused_with_a_reason() {
    let mut crumbs = Mesh { points: Vec::new(), triangles: Vec::new() };
    for crumb in 0..2_000 {
        let at = DVec3::new(f64::from(crumb % 50), f64::from(crumb / 50), 0.0);
        let first = crumb * 3;
        crumbs.points.extend([at, at + DVec3::X * 0.4, at + DVec3::Y * 0.4]);
        crumbs.triangles.push([first, first + 1, first + 2]);
    }
    let intake = both(&crumbs, &plan(&halves()));
    let asked = |most_points: usize| {
        let facts = Facts::new(&intake.rig);
        assert!(facts.bind_on_trial(Asked { most_points, ..Asked::default() }, &Unobserved));
        facts
    };
    let facts = asked(1_000);
    let bind = facts.trial_bind().unwrap();
    assert!(bind.graph.points.len() <= 1_000);
    let reduced = bind.reduced.as_ref().unwrap();
    assert!(reduced.points == 6_000 && reduced.largest > 0.6, "{}", reduced.largest);
    for point in 0..6_000 {
        let sum: f64 = bind.row_at(point, 4).iter().map(|one| one.1).sum();
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
    }
    let facts = asked(2);
    let Err(refusal) = facts.trial_bind() else { panic!("two points make no triangle") };
    assert!(refusal == Refusal::TooLarge && refusal.reason().contains("too many points"));
}

/// A chain of ten joints in the capsule: everywhere more of them have weight than one set of a glTF holds.
fn ten() -> Vec<Bone> {
    let at = |number: usize| DVec3::new(-2.0 + 0.4 * number as f64, 0.0, 0.0);
    (0..10).map(|number| (at(number), at(number + 1), number.checked_sub(1))).collect()
}

#[test]
fn the_profile_says_how_many_influences_are_kept() {
    let mesh = capsule(40, 24, 0.0);
    let intake = both(&mesh, &plan(&ten()));
    let most = |most: u32| {
        let text = format!(
            "profile = \"condyle.profile/1\"\nname = \"it\"\nabout = \"it\"\nextends = \"realtime\"\n\
             [checks.\"budget/influences\"]\nreason = \"a target\"\nbands.most.limit = {most}\n"
        );
        Profile::read(&text).unwrap()
    };
    let kept = |profile: &Profile, influences: Option<usize>| {
        let only = vec!["forecast".to_owned()];
        let request = Request { only, influences, ..Request::all(profile, "2026-11-25".parse().unwrap()) };
        let rows = |facts: &Facts<'_>| facts.trial_bind().unwrap().rows.clone();
        run_then(&intake, &request, &Unobserved, rows).unwrap().1
    };
    let four = kept(&Profile::realtime(), None);
    assert!(four.iter().all(|row| row.influences().len() == 4));
    assert_eq!(four, Facts::new(&intake.rig).trial_bind().unwrap().rows, "what is kept unless said");
    for (profile, influences, wanted) in
        [(most(6), None, 6), (most(1), None, 1), (most(40), None, 8), (Profile::realtime(), Some(7), 7)]
    {
        let rows = kept(&profile, influences);
        assert!(rows.iter().all(|row| row.influences().len() == wanted));
        for (row, four) in rows.iter().zip(&four).filter(|_| wanted > 4) {
            assert!((row.influences().map(|one| one.1).sum::<f64>() - 1.0).abs() < 1e-12);
            // The same strongest ones in the same proportions.
            let share = row.influences().next().unwrap().1 / four.influences().next().unwrap().1;
            for ((slot, weight), (other, before)) in row.influences().zip(four.influences()) {
                assert_eq!(slot, other);
                assert!((weight - before * share).abs() < 1e-12 && share < 1.0);
            }
        }
    }
}

/// Two sets in the file: all weights of a vertex add up to one over both, and are the bind's.
#[test]
fn more_than_four_influences_are_written_in_sets_of_four() {
    let mesh = capsule(40, 24, 0.0);
    let intake = both(&mesh, &plan(&ten()));
    let facts = Facts::new(&intake.rig);
    assert!(facts.bind_on_trial(Asked { influences: 6, ..Asked::default() }, &Unobserved));
    let bind = facts.trial_bind().unwrap();
    let before = glb(&mesh);
    let body = Bundle { model: Some(Upload { name: "body.glb", bytes: &before }), ..Bundle::default() };
    let model = read(&body, &Limits::default()).unwrap();
    let bytes = bind_model(&body, &model, &facts, Bound::default(), &Limits::default()).unwrap();
    let file = gltf::Gltf::from_slice(&bytes).unwrap();
    let blob = file.blob.clone().unwrap();
    let primitive = file.meshes().next().unwrap().primitives().next().unwrap();
    let reader = primitive.reader(|_| Some(&blob[..]));
    let set = |set: u32| {
        let joints: Vec<[u16; 4]> = reader.read_joints(set).unwrap().into_u16().collect();
        let weights: Vec<[f32; 4]> = reader.read_weights(set).unwrap().into_f32().collect();
        (joints, weights)
    };
    let (first, second) = (set(0), set(1));
    assert!(reader.read_joints(2).is_none());
    let surface = facts.surface();
    for vertex in 0..mesh.points.len() {
        let row = &bind.rows[bind.graph.of_surface[surface.point_of[vertex] as usize] as usize];
        let joints = first.0[vertex].into_iter().chain(second.0[vertex]);
        let found: Vec<(u16, f32)> =
            joints.zip(first.1[vertex].into_iter().chain(second.1[vertex])).collect();
        let sum: f32 = found.iter().map(|one| one.1).sum();
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
        for (slot, weight) in row.influences() {
            let there = found.iter().find(|one| u32::from(one.0) == slot && one.1 > 0.0).unwrap().1;
            assert!((f64::from(there) - weight).abs() < 1e-6);
        }
        assert_eq!(found.iter().filter(|one| one.1 > 0.0).count(), 6);
    }
    // Fewer on request; then the second set is not there.
    let how = Bound { influences: Some(2), ..Bound::default() };
    let bytes = bind_model(&body, &model, &facts, how, &Limits::default()).unwrap();
    let file = gltf::Gltf::from_slice(&bytes).unwrap();
    let primitive = file.meshes().next().unwrap().primitives().next().unwrap();
    assert!(
        primitive.get(&gltf::Semantic::Joints(0)).is_some()
            && primitive.get(&gltf::Semantic::Joints(1)).is_none()
    );
}

/// Hears of a trial bind, and goes away after so many steps.
struct Listener {
    heard: std::sync::Mutex<Vec<(u64, u64)>>,
    leaves: usize,
}

impl Observer for Listener {
    fn binding(&self, done: u64, of: u64) {
        self.heard.lock().unwrap().push((done, of));
    }
    fn cancelled(&self) -> bool {
        self.heard.lock().unwrap().len() >= self.leaves
    }
}

#[test]
fn a_trial_bind_tells_how_far_it_is_and_ends_where_nobody_waits() {
    let intake = both(&capsule(80, 60, 0.0), &plan(&ten()));
    let profile = Profile::realtime();
    let request =
        Request { only: vec!["forecast".into()], ..Request::all(&profile, "2026-11-25".parse().unwrap()) };
    let stays = Listener { heard: Vec::new().into(), leaves: usize::MAX };
    let report = run(&intake, &request, &stays).unwrap();
    assert!(report.not_run.iter().all(|idle| !idle.reason.contains("went away")));
    let heard = stays.heard.into_inner().unwrap();
    let of = heard[0].1;
    assert!(heard.len() > 10 && heard.iter().all(|one| one.1 == of && one.0 <= of));
    assert_eq!(heard.iter().map(|one| one.0).max(), Some(of), "in the end all of it is done");
    for leaves in [1, 2, 5, 9] {
        let goes = Listener { heard: Vec::new().into(), leaves };
        let report = run(&intake, &request, &goes).unwrap();
        let gone = report.not_run.iter().filter(|idle| idle.reason == "the caller went away").count();
        assert!(gone >= 5, "{leaves}: {:?}", report.not_run);
        assert!(report.findings.is_empty());
        // Threads that are at it finish their step.
        assert!(goes.heard.into_inner().unwrap().len() < leaves + 64);
    }
}

/// A body and a skeleton in one file, with no skin: nodes one below the other, under a node of another size that also holds the
/// mesh, and a piece that hangs from the last.
fn own(mesh: &Mesh) -> Vec<u8> {
    let mut scene = Scene::default();
    for (name, size) in [("body", 0.5), ("lantern", 0.05)] {
        scene.meshes.push(SceneMesh {
            name: name.into(),
            positions: mesh.points.iter().map(|p| (*p * size).as_vec3().to_array()).collect(),
            indices: mesh.triangles.iter().flatten().copied().collect(),
            ..SceneMesh::default()
        });
    }
    let mut node = |name: &str, parent: Option<usize>, x: f64, mesh: Option<usize>, scale: f64| {
        scene.nodes.push(SceneNode {
            name: Some(name.into()),
            parent,
            translation: [x, 0.0, 0.0],
            rotation: [0.0, 0.0, 0.0, 1.0],
            scale: [scale; 3],
            mesh,
            skin: None,
        });
    };
    node("wharf", None, 0.0, None, 2.0);
    node("body", Some(0), 0.0, Some(0), 1.0);
    // Metres: twice these.
    node("trunk", Some(0), -1.0, None, 1.0);
    node("trunk", Some(2), 1.0, None, 1.0);
    node("tail", Some(3), 0.9, None, 1.0);
    node("lantern", Some(4), 0.4, Some(1), 1.0);
    write_glb(&scene, &Storage::default())
}

#[test]
fn a_model_brings_its_own_skeleton() {
    let mesh = capsule(30, 16, 0.0);
    let bytes = own(&mesh);
    let body = Bundle { model: Some(Upload { name: "eel.glb", bytes: &bytes }), ..Bundle::default() };
    let model = read(&body, &Limits::default()).unwrap();
    assert!(model.rig.joints.is_empty(), "no skin, no joint of glTF");
    let own = own_skeleton(read(&body, &Limits::default()).unwrap(), &Limits::default()).unwrap();
    let plan = own.intake.plan.clone().unwrap();
    let joint = |name: &str, x: f64, parent: Value| json!({"name": name, "origin": [x, 0.0, 0.0], "parent": parent, "orientation": [0.0, 0.0, 0.0, 1.0]});
    assert_eq!(
        plan["joints"],
        json!([
            joint("trunk", -2.0, Value::Null),
            joint("trunk 2", 0.0, json!("trunk")),
            joint("tail", 1.8, json!("trunk 2"))
        ])
    );
    assert_eq!(plan["pieces"], json!([{"name": "piece 5", "carried_by": "tail"}]));
    let facts = Facts::new(&own.intake.rig);
    let bind = facts.trial_bind().unwrap();
    assert_eq!(bind.joints.len(), 3);
    assert_eq!(bind.graph.points.len(), mesh.points.len(), "the lantern is a piece");
    assert!((bind.graph.points.iter().map(|p| p.x).fold(0.0, f64::max) - 3.0).abs() < 1e-6, "metres");
    assert!(bind.owned().iter().all(|area| *area > 0.0));

    let how = Bound { nodes: Some(&own.nodes), ..Bound::default() };
    let after = bind_model(&body, &model, &facts, how, &Limits::default()).unwrap();
    rests_unmoved(&bytes, &after);
    let file = gltf::Gltf::from_slice(&after).unwrap();
    assert_eq!(file.nodes().count(), 6, "the joints were there");
    let skin = file.skins().next().unwrap();
    assert_eq!(skin.joints().map(|joint| joint.index()).collect::<Vec<_>>(), [2, 3, 4]);
    // The plan is a plan: it gives the same bind as a document of its own.
    let text = plan.to_string();
    let upload = |name, bytes| Some(Upload { name, bytes });
    let again =
        read(&Bundle { plan: upload("plan", text.as_bytes()), ..body.clone() }, &Limits::default()).unwrap();
    let again = Facts::new(&again.rig);
    assert_eq!(again.trial_bind().unwrap().segments.len(), bind.segments.len());
}

#[test]
fn a_model_without_a_skeleton_is_told_so() {
    let mesh = capsule(30, 16, 0.0);
    let bytes = glb(&mesh);
    let body = Bundle { model: Some(Upload { name: "eel.glb", bytes: &bytes }), ..Bundle::default() };
    let none = own_skeleton(read(&body, &Limits::default()).unwrap(), &Limits::default()).unwrap_err();
    assert!(none.reason().contains("no node of the model is plainly a joint"), "{}", none.reason());
}

/// Skinned at rest as glTF 2.0 §3.7.3.3 says, every vertex stands where its node put it before.
fn rests_unmoved(before: &[u8], after: &[u8]) {
    let rig = |bytes: &[u8]| {
        read(&Bundle { model: Some(Upload { name: "it", bytes }), ..Bundle::default() }, &Limits::default())
            .unwrap()
            .rig
    };
    let (before, after) = (rig(before), rig(after));
    let mut compared = 0;
    for (index, node) in after.nodes.iter().enumerate() {
        let (Some(mesh), Some(skin)) = (node.mesh, node.skin) else { continue };
        let skin = &after.skins[skin.index()];
        let inverse = skin.inverse_bind.as_ref().unwrap();
        let was = before.nodes[index].world;
        for primitive in &after.meshes[mesh.index()].primitives {
            for (vertex, place) in primitive.positions.iter().enumerate() {
                let place = DVec3::from(place.map(f64::from));
                let mut skinned = DVec3::ZERO;
                for set in &primitive.influences {
                    for (joint, weight) in set.joints[vertex].into_iter().zip(set.weights[vertex]) {
                        let world = after.joints[skin.joints[usize::from(joint)].index()].rest;
                        skinned +=
                            (world * inverse[usize::from(joint)]).transform_point3(place) * f64::from(weight);
                    }
                }
                assert!(
                    skinned.distance(was.transform_point3(place)) < 1e-5,
                    "node {index}, vertex {vertex}"
                );
                compared += 1;
            }
        }
    }
    assert!(compared > 0);
}

/// Every vertex in the colour of its strongest joint, linear as glTF 2.0 §3.7.2.1 has it, and joints that meet in others.
#[test]
fn winners_are_coloured() {
    let mesh = capsule(40, 24, 0.0);
    let intake = both(&mesh, &plan(&ten()));
    let facts = Facts::new(&intake.rig);
    let bind = facts.trial_bind().unwrap();
    let winners = Winners::new(bind);
    for pair in winners.colours.windows(2) {
        assert_ne!(pair[0], pair[1], "neighbours in the chain meet");
    }
    let before = glb(&mesh);
    let body = Bundle { model: Some(Upload { name: "body.glb", bytes: &before }), ..Bundle::default() };
    let model = read(&body, &Limits::default()).unwrap();
    let how = Bound { colours: true, ..Bound::default() };
    let bytes = bind_model(&body, &model, &facts, how, &Limits::default()).unwrap();
    let file = gltf::Gltf::from_slice(&bytes).unwrap();
    let blob = file.blob.clone().unwrap();
    let primitive = file.meshes().next().unwrap().primitives().next().unwrap();
    assert_eq!(primitive.material().name(), Some("winners"));
    let colours: Vec<[u8; 4]> =
        primitive.reader(|_| Some(&blob[..])).read_colors(0).unwrap().into_rgba_u8().collect();
    for (vertex, colour) in colours.iter().enumerate() {
        let row = &bind.rows[bind.graph.of_surface[facts.surface().point_of[vertex] as usize] as usize];
        let css = PALETTE[winners.colours[row.dominant().unwrap() as usize]];
        let wanted = [1, 3, 5].map(|at| {
            // IEC 61966-2-1, 5.2.
            let value = f64::from(u8::from_str_radix(&css[at..at + 2], 16).unwrap()) / 255.0;
            let linear = if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) };
            (linear * 255.0).round() as u8
        });
        assert_eq!(colour[..3], wanted);
        assert_eq!(colour[3], 255);
    }
    let skin: Value =
        serde_json::from_str(file.skins().next().unwrap().extras().as_ref().unwrap().get()).unwrap();
    let listed: Vec<&str> =
        skin["condyle"]["colours"].as_array().unwrap().iter().map(|it| it.as_str().unwrap()).collect();
    assert_eq!(listed, winners.colours.iter().map(|colour| PALETTE[*colour]).collect::<Vec<_>>());
    let plain = bind_model(&body, &model, &facts, Bound::default(), &Limits::default()).unwrap();
    let plain = gltf::Gltf::from_slice(&plain).unwrap();
    assert!(
        plain.meshes().next().unwrap().primitives().next().unwrap().get(&gltf::Semantic::Colors(0)).is_none()
    );
}

/// The drawing read back: each joint of the chain has its stripe, whose middle lies over its segment, in its colour.
#[test]
fn a_drawing_shows_which_joint_wins_where() {
    let intake = both(&capsule(60, 40, 0.0), &plan(&ten()));
    let facts = Facts::new(&intake.rig);
    let winners = Winners::new(facts.trial_bind().unwrap());
    let svg = condyle_core::figure::winners(&facts, "capsule <&>", &condyle_core::figure::Options::default())
        .unwrap();
    let drawing = roxmltree::Document::parse(&svg).unwrap();
    for view in ["front", "top"] {
        let panel = drawing.descendants().find(|node| node.attribute("data-view") == Some(view)).unwrap();
        let stripes: Vec<_> = panel.children().filter(|node| node.has_attribute("data-joint")).collect();
        assert_eq!(stripes.len(), 10, "{view}");
        let mut middles: Vec<(usize, f64)> = Vec::new();
        for stripe in stripes {
            let number: usize =
                stripe.attribute("data-joint").unwrap().strip_prefix("segment_").unwrap().parse().unwrap();
            assert_eq!(stripe.attribute("fill"), Some(PALETTE[winners.colours[number]]));
            let d = stripe.attribute("d").unwrap();
            let xs: Vec<f64> = d
                .split(['M', 'L', 'Z'])
                .filter(|part| !part.is_empty())
                .map(|part| part.split_whitespace().next().unwrap().parse().unwrap())
                .collect();
            let (low, high) =
                xs.iter().fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(*x), high.max(*x)));
            middles.push((number, f64::midpoint(low, high)));
        }
        middles.sort_by_key(|one| one.0);
        let rising = middles.windows(2).all(|pair| pair[0].1 < pair[1].1);
        assert!(rising, "{view}: {middles:?}");
    }
    let keys = drawing.descendants().filter(|node| node.has_attribute("data-key")).count();
    assert_eq!(keys, 10);
}

fn over_reach(glb: &[u8], plan: &Value) -> Vec<Finding> {
    let intake = pair(glb, plan);
    let profile = Profile::realtime();
    let request = Request {
        only: vec!["forecast/over-reach".into()],
        ..Request::all(&profile, "2026-11-25".parse().unwrap())
    };
    let report = run(&intake, &request, &Unobserved).unwrap();
    assert!(report.not_run.iter().all(|idle| idle.check != "forecast/over-reach"), "{:?}", report.not_run);
    report.findings
}

fn measured(finding: &Finding, quantity: &str) -> f64 {
    finding.evidence.iter().find(|one| one.quantity == quantity).unwrap().measured.unwrap()
}

/// Half of the capsule has no deforming joint. The brace that is proposed for it is added by the finding's own patch, and
/// the plan bound again has what was promised.
#[test]
fn a_brace_keeps_its_promise() {
    let mesh = capsule(40, 24, 0.0);
    let mut plan = plan(&halves());
    plan["joints"][0]["role"] = json!("control");
    let found = over_reach(&glb(&mesh), &plan);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].subject.name, "segment_1");
    // The skin more than two radii behind the origin and towards the parent is the far cap, 2π of the capsule's 12π, less
    // none (it is seen within 60°), and the tube where the distance to the origin passes 2 (x < −√3): 2π·(2 − √3) more.
    let wanted = (1.0 + 2.0 - 3.0_f64.sqrt()) / 6.0;
    assert!((measured(&found[0], "share of the body") - wanted).abs() < 0.03, "{found:?}");
    let promised = measured(&found[0], "share of the body left with a brace");
    assert!(promised < 0.3 * wanted, "{promised}");
    let Some(Fix::Patch { patch, .. }) = &found[0].fix else { panic!("no patch: {found:?}") };
    let patch: json_patch::Patch = serde_json::from_value(json!(patch)).unwrap();
    let mut mended = plan.clone();
    json_patch::patch(&mut mended, &patch).unwrap();
    assert_eq!(mended["joints"].as_array().unwrap().last().unwrap()["parent"], "segment_0");
    let (left, _) = kept(&found[0], &plan, &glb(&mesh)).unwrap();
    assert!(left <= promised + 1e-6, "{left} of {promised}");
}

/// The middle third of a chain does not deform, and is too short for skin two radii away. By symmetry the last joint wins
/// half of it: 2π·⅔ of the capsule's 12π.
#[test]
fn skin_between_joints_that_deform_is_missed_sooner() {
    let mesh = capsule(80, 48, 0.0);
    let at = |third: f64| DVec3::X * (third * 4.0 / 3.0 - 2.0);
    let bones = vec![(at(0.0), at(1.0), None), (at(1.0), at(2.0), Some(0)), (at(2.0), at(3.0), Some(1))];
    let mut plan = plan(&bones);
    assert_eq!(over_reach(&glb(&mesh), &plan).len(), 0, "complete");
    plan["joints"][1]["role"] = json!("control");
    let found = over_reach(&glb(&mesh), &plan);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].subject.name, "segment_2");
    assert!((measured(&found[0], "share of the body") - 1.0 / 9.0).abs() < 0.015, "{found:?}");
    // Without the first joint nothing that deforms is above: two radii again.
    plan["joints"][0]["role"] = json!("control");
    let far = over_reach(&glb(&mesh), &plan);
    let reach = measured(&far[0], "farthest skin in body radii");
    assert!(far.len() == 1 && far[0].message.contains("beyond 2 body radii") && reach > 3.0, "{far:?}");
}

/// What is left of the skin that a finding is about once its own patch has added the brace, beside what it promised.
fn kept(finding: &Finding, plan: &Value, glb: &[u8]) -> Option<(f64, f64)> {
    let Some(Fix::Patch { patch, .. }) = &finding.fix else { return None };
    let patch: json_patch::Patch = serde_json::from_value(json!(patch)).unwrap();
    let mut mended = plan.clone();
    json_patch::patch(&mut mended, &patch).unwrap();
    let brace = mended["joints"].as_array().unwrap().last().unwrap()["name"].clone();
    let names = [finding.subject.name.clone(), brace.as_str().unwrap().to_owned()];
    let left = over_reach(glb, &mended)
        .iter()
        .filter(|it| names.contains(&it.subject.name) && it.severity.word() == "warning")
        .map(|it| measured(it, "share of the body"))
        .sum();
    Some((left, measured(finding, "share of the body left with a brace")))
}

/// Inner joints of our own characters stop deforming, one at a time. Where a joint is then found to reach too far, the brace is
/// added by the finding's own patch, and no more is found of both than was promised: the share is rounded to six digits.
#[test]
fn braces_of_characters_keep_their_promise() {
    let mut count = 0;
    for name in condyle_core::demo::NAMES {
        let it = condyle_core::demo::character(name, 1_500).unwrap();
        let bytes = write_glb(&it.scene, &Storage::default());
        let intake = pair(&bytes, &it.plan);
        let facts = Facts::new(&intake.rig);
        let bind = facts.trial_bind().unwrap();
        let owned = bind.owned();
        let inner = (0..bind.joints.len()).filter(|slot| {
            let joint = bind.joints[*slot];
            owned[*slot] > 0.03 * bind.graph.area && !facts.tree().children[joint.index()].is_empty()
        });
        for slot in inner.take(6) {
            let mut plan = it.plan.clone();
            plan["joints"][bind.joints[slot].index()]["role"] = json!("control");
            for finding in over_reach(&bytes, &plan) {
                let Some((left, promised)) = kept(&finding, &plan, &bytes) else { continue };
                assert!(promised < measured(&finding, "share of the body"));
                assert!(left <= promised + 1e-6, "{name}: {left} of {promised}");
                count += 1;
            }
        }
    }
    assert!(count >= 4, "{count}");
}

/// Read back by our own reader and by the crate `gltf`: the weights of the bind, bind matrices that put every joint where
/// the plan has it, and all that was in the file before.
#[test]
fn the_bound_model_holds_the_weights_and_everything_else() {
    let mesh = capsule(30, 16, 0.0);
    let plan = plan(&halves());
    let intake = both(&mesh, &plan);
    let facts = Facts::new(&intake.rig);
    let bind = facts.trial_bind().unwrap();
    let before = glb(&mesh);
    let body = Bundle { model: Some(Upload { name: "body.glb", bytes: &before }), ..Bundle::default() };
    let model = read(&body, &Limits::default()).unwrap();
    let bytes = bind_model(&body, &model, &facts, Bound::default(), &Limits::default()).unwrap();

    let bound = read(
        &Bundle { model: Some(Upload { name: "bound.glb", bytes: &bytes }), ..Bundle::default() },
        &Limits::default(),
    );
    let bound = bound.unwrap();
    let again = Facts::new(&bound.rig);
    assert_eq!(bound.rig.joints.len(), 2);
    for (joint, (from, _, _)) in bound.rig.joints.iter().zip(halves()) {
        assert!(joint.origin().distance(from) < 1e-6);
    }
    for (index, (from, _, _)) in halves().iter().enumerate() {
        let joint = condyle_core::model::JointId::new(index);
        assert!(again.origin(joint).distance(*from) < 1e-6, "at bind");
    }
    for point in 0..again.surface().points.len() as u32 {
        let ours = &bind.rows[bind.graph.of_surface[point as usize] as usize];
        for one in again.skinning().point_row(point) {
            assert!((f64::from(one.weight) - ours.weight(one.joint.0)).abs() < 1e-6);
        }
    }
    let profile = Profile::realtime();
    let report = run(&bound, &Request::all(&profile, "2026-11-25".parse().unwrap()), &Unobserved).unwrap();
    assert_eq!(report.counts.error, 0, "{:?}", report.findings);

    let (old, new) = (gltf::Gltf::from_slice(&before).unwrap(), gltf::Gltf::from_slice(&bytes).unwrap());
    let (old_blob, new_blob) = (old.blob.clone().unwrap(), new.blob.clone().unwrap());
    assert_eq!(new_blob[..old_blob.len()], old_blob[..], "what was in the buffer is still there");
    let (old, new) = (old.document.into_json(), new.document.into_json());
    assert_eq!(json!(old.materials), json!(new.materials));
    assert_eq!(json!(old.accessors), json!(new.accessors[..old.accessors.len()]));
    assert_eq!(json!(old.buffer_views), json!(new.buffer_views[..old.buffer_views.len()]));
    let (old, new) = (json!(old.meshes[0].primitives[0]), json!(new.meshes[0].primitives[0]));
    for (key, accessor) in old["attributes"].as_object().unwrap() {
        assert_eq!(new["attributes"][key], *accessor);
    }
    assert_eq!(old["indices"], new["indices"]);
    let reader = gltf::Gltf::from_slice(&bytes).unwrap();
    let skin = reader.skins().next().unwrap();
    assert_eq!(skin.joints().count(), 2);
    assert_eq!(
        reader.nodes().find(|node| node.mesh().is_some()).unwrap().skin().unwrap().index(),
        skin.index()
    );
}

#[test]
fn nothing_is_forecast_for_clean_characters() {
    for name in condyle_core::demo::NAMES {
        let it = condyle_core::demo::character(name, 3_000).unwrap();
        let (bytes, plan) = (write_glb(&it.scene, &Storage::default()), it.plan.to_string());
        let upload = |name, bytes| Some(Upload { name, bytes });
        let bundle = Bundle {
            plan: upload("plan.json", plan.as_bytes()),
            model: upload("body.glb", &bytes),
            ..Bundle::default()
        };
        let intake = read(&bundle, &Limits::default()).unwrap();
        let profile = Profile::realtime();
        let request = Request {
            only: vec!["forecast".into()],
            ..Request::all(&profile, "2026-11-25".parse().unwrap())
        };
        let report = run(&intake, &request, &Unobserved).unwrap();
        let idle = |check: &str| report.not_run.iter().any(|idle| idle.check == check);
        assert!(!idle("forecast/over-reach") && !idle("forecast/unreached"), "{:?}", report.not_run);
        let found: Vec<_> = report.findings.iter().map(|f| (&f.check, &f.message)).collect();
        assert!(found.is_empty(), "{name}: {found:#?}");
    }
}

/// Bytes of a model with its own skeleton, changed at random: whatever can still be read is bound, drawn and written, or refused
/// in words; nothing panics.
#[test]
fn changed_bytes_are_bound_or_refused() {
    let sound = own(&capsule(10, 6, 0.0));
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = |below: usize| {
        // Marsaglia: Xorshift RNGs, 2003.
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state % below as u64) as usize
    };
    let (mut bound, mut refused) = (0, 0);
    for round in 0..120 {
        let mut bytes = sound.clone();
        // Half of them in the numbers of the mesh, half in the document.
        let text = u32::from_le_bytes(bytes[12..16].try_into().unwrap()) as usize;
        for _ in 0..=random(3) {
            let at =
                if round % 2 == 0 { 20 + random(text) } else { 28 + text + random(sound.len() - 28 - text) };
            bytes[at] = if at < 20 + text { b"0123456789-.e[]{}\",:"[random(20)] } else { random(256) as u8 };
        }
        let body = Bundle { model: Some(Upload { name: "eel.glb", bytes: &bytes }), ..Bundle::default() };
        let limits = Limits::default();
        let Ok(model) = read(&body, &limits) else {
            refused += 1;
            continue;
        };
        let Ok(own) = own_skeleton(model.clone(), &limits) else {
            refused += 1;
            continue;
        };
        let facts = Facts::new(&own.intake.rig);
        assert!(facts.bind_on_trial(Asked { influences: 8, most_points: 30 }, &Unobserved));
        match facts.trial_bind() {
            Ok(bind) => {
                for point in 0..facts.surface().points.len() as u32 {
                    let row = bind.row_at(point, 8);
                    let sum: f64 = row.iter().map(|one| one.1).sum();
                    assert!(row.is_empty() || (sum - 1.0).abs() < 1e-6, "{round}: {row:?}");
                }
                let drawn =
                    condyle_core::figure::winners(&facts, "eel", &condyle_core::figure::Options::default())
                        .unwrap();
                roxmltree::Document::parse(&drawn).unwrap();
                let how = Bound { nodes: Some(&own.nodes), colours: true, ..Bound::default() };
                if let Ok(after) = bind_model(&body, &model, &facts, how, &limits) {
                    let after = Upload { name: "bound.glb", bytes: &after };
                    read(&Bundle { model: Some(after), ..Bundle::default() }, &limits).unwrap();
                    bound += 1;
                }
            }
            Err(refusal) => {
                assert_ne!(refusal, Refusal::Failed, "{round}");
                refused += 1;
            }
        }
    }
    assert!(bound > 15 && refused > 15, "{bound} bound, {refused} refused");
}
