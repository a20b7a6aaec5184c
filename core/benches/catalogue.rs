//! The whole catalogue on one generated character: what the checks without a body cost against the `gltf` crate, what
//! those that need the body cost against one build of a stock tree over the same triangles, each check's own time,
//! and how time grows with the vertices. Answers are asserted. What it prints, and how to run it: `README.md`.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

mod peer;

use std::collections::BTreeMap;
use std::hint::black_box;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use condyle_core::check::{CHECKS, Observer, Profile, Request, Unobserved, run};
use condyle_core::demo::character;
use condyle_core::export::{Scene, Storage, write_glb};
use condyle_core::intake::{Bundle, Intake, Limits, Upload, file_digest, read};
use condyle_core::report::NotRunStatus;
use parry3d::math::Vector;
use parry3d::shape::{TriMesh, TriMeshFlags};

/// Checks that ask for the welded surface, the inside of the body, or what is computed over them. A check that is
/// missing here makes the first ratio worse, so the list cannot flatter.
const NEED_BODY: [&str; 15] = [
    "placement/foot-width",
    "placement/ground",
    "placement/off-centre",
    "placement/outside-body",
    "skin/duplicate-influence",
    "skin/dust",
    "skin/far-reach",
    "skin/leak",
    "skin/loose-island",
    "skin/mirror-weights",
    "skin/negative",
    "skin/precision",
    "skin/rough",
    "skin/seam",
    "skin/too-many",
];
const SIZES: [usize; 6] = [1_000, 10_000, 50_000, 200_000, 400_000, 1_000_000];
/// The size of the ratios and of the table.
const MAIN: usize = 200_000;
const CHARACTER: &str = "harbour-clerk";
/// Joints of a production character.
const JOINTS: usize = 120;
const DATE: &str = "2026-11-25";

fn main() {
    for id in NEED_BODY {
        assert!(CHECKS.iter().any(|check| check.id == id), "{id} is no check");
    }
    println!(
        "{:>9} {:>7} {:>9} {:>9} {:>9} {:>7} {:>9} {:>9} {:>7}",
        "vertices", "joints", "read ms", "bare ms", "peer ms", "ratio", "body ms", "tree ms", "ratio"
    );
    let (mut bare, mut whole) = (Vec::new(), Vec::new());
    let mut last = 0;
    for wanted in SIZES {
        let scene = with_joints(character(CHARACTER, wanted).unwrap().scene);
        let vertices: usize = scene.meshes.iter().map(|mesh| mesh.positions.len()).sum();
        if vertices == last {
            continue;
        }
        last = vertices;
        let row = compare(&scene, vertices);
        let ms = |d: Duration| d.as_secs_f64() * 1e3;
        let body = row.whole.saturating_sub(row.bare);
        println!(
            "{vertices:>9} {:>7} {:>9.2} {:>9.2} {:>9.2} {:>7.2} {:>9.2} {:>9.2} {:>7.2}",
            row.joints,
            ms(row.reading),
            ms(row.bare),
            ms(row.peer),
            (ms(row.reading) + ms(row.bare)) / ms(row.peer),
            ms(body),
            ms(row.tree),
            ms(body) / ms(row.tree),
        );
        bare.push((vertices as f64, ms(row.reading + row.bare)));
        whole.push((vertices as f64, ms(row.reading + row.whole)));
        if wanted == MAIN {
            each(&scene);
        }
    }
    let large = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        points.iter().copied().filter(|point| point.0 > 40_000.0).collect()
    };
    println!("exponents of time in vertices, all sizes, then from 50,000 on");
    println!("  without the body: {:.2} {:.2}", exponent(&bare), exponent(&large(&bare)));
    println!("  everything:       {:.2} {:.2}", exponent(&whole), exponent(&large(&whole)));
    plan();
}

/// More joints, each a little along one that is there and with a quarter of its weight where there is room.
fn with_joints(mut scene: Scene) -> Scene {
    let skin = &mut scene.skins[0];
    let before = skin.joints.len();
    let matrices = skin.inverse_bind.as_mut().unwrap();
    let mut aids = vec![Vec::new(); before];
    for number in before..JOINTS {
        let (slot, along) = (number % before, 0.01 * (number / before) as f32);
        let parent = skin.joints[slot];
        let mut node = scene.nodes[parent].clone();
        node.name = node.name.map(|name| format!("aid{}_{name}", number / before));
        (node.parent, node.translation) = (Some(parent), [0.0, f64::from(along), 0.0]);
        (node.rotation, node.scale) = ([0.0, 0.0, 0.0, 1.0], [1.0; 3]);
        (node.mesh, node.skin) = (None, None);
        aids[slot].push(number as u16);
        skin.joints.push(scene.nodes.len());
        scene.nodes.push(node);
        let mut matrix = matrices[slot];
        matrix[13] -= along;
        matrices.push(matrix);
    }
    for row in scene.meshes.iter_mut().flat_map(|mesh| &mut mesh.influences).filter(|row| row.len() <= 2) {
        for at in 0..row.len() {
            let (joint, weight) = row[at];
            if let Some(aid) = aids[usize::from(joint)].first() {
                row[at].1 = weight * 0.75;
                row.push((*aid, weight * 0.25));
            }
        }
    }
    scene
}

/// Medians of one size.
struct Row {
    joints: usize,
    reading: Duration,
    bare: Duration,
    whole: Duration,
    peer: Duration,
    tree: Duration,
}

fn intake(glb: &[u8]) -> Intake {
    let bundle = Bundle { model: Some(Upload { name: "x.glb", bytes: glb }), ..Bundle::default() };
    read(&bundle, &Limits::default()).unwrap()
}

fn compare(scene: &Scene, vertices: usize) -> Row {
    let glb = write_glb(scene, &Storage::default());
    let rounds = (2_000_000 / vertices).clamp(7, 101);
    let profile = Profile::realtime();
    let whole = Request::all(&profile, DATE.parse().unwrap());
    let mut bare = whole.clone();
    bare.skip = NEED_BODY.map(str::to_owned).to_vec();
    let mut times: [Vec<Duration>; 5] = Default::default();
    let mut joints = 0;
    for _ in 0..rounds {
        // Reading computes the digest of the input, which the peer does not: it is taken off.
        let start = Instant::now();
        black_box(file_digest(&glb));
        let digest = start.elapsed();
        let start = Instant::now();
        let rig = intake(&glb);
        times[0].push(start.elapsed().saturating_sub(digest));
        for (request, slot) in [(&bare, 1), (&whole, 2)] {
            let start = Instant::now();
            let report = run(&rig, request, &Unobserved).unwrap();
            times[slot].push(start.elapsed());
            assert_eq!(report.input.vertices, vertices as u64);
            assert_eq!(report.counts.error, 0);
            assert!(report.not_run.iter().all(|one| one.status != NotRunStatus::Failed));
            joints = report.input.joints as usize;
        }
        drop(rig);
        let start = Instant::now();
        assert_eq!(peer::iterate(&glb), vertices);
        times[3].push(start.elapsed());
        times[4].push(tree(scene));
    }
    let [reading, bare, whole, peer, tree] = times.map(|mut list| median(&mut list));
    Row { joints, reading, bare, whole, peer, tree }
}

/// parry3d's tree over all triangles, built once; converting to its own types is not counted.
fn tree(scene: &Scene) -> Duration {
    let (mut points, mut triangles) = (Vec::new(), Vec::new());
    for mesh in &scene.meshes {
        let base = points.len() as u32;
        points.extend(mesh.positions.iter().map(|p| Vector::new(p[0], p[1], p[2])));
        triangles.extend(mesh.indices.as_chunks::<3>().0.iter().map(|t| t.map(|corner| corner + base)));
    }
    let start = Instant::now();
    let mesh = TriMesh::with_flags(points, triangles, TriMeshFlags::empty()).unwrap();
    let spent = start.elapsed();
    black_box(mesh);
    spent
}

/// A clock around every check.
#[derive(Default)]
struct Clock {
    begun: Mutex<Option<Instant>>,
    spent: Mutex<BTreeMap<&'static str, Vec<Duration>>>,
}

impl Observer for Clock {
    fn started(&self, _id: &'static str) {
        *self.begun.lock().unwrap() = Some(Instant::now());
    }

    fn finished(&self, id: &'static str) {
        if let Some(begun) = self.begun.lock().unwrap().take() {
            self.spent.lock().unwrap().entry(id).or_default().push(begun.elapsed());
        }
    }
}

/// Each check's time: in the whole run, where what is shared is paid by who asks first, and alone, with all it needs.
fn each(scene: &Scene) {
    let glb = write_glb(scene, &Storage::default());
    let rig = intake(&glb);
    let profile = Profile::realtime();
    let request = Request::all(&profile, DATE.parse().unwrap());
    let clock = Clock::default();
    for _ in 0..7 {
        run(&rig, &request, &clock).unwrap();
    }
    println!("\n{:<32} {:>12} {:>12}", "check", "in the run", "alone");
    for (id, mut times) in clock.spent.into_inner().unwrap() {
        let mut alone = request.clone();
        alone.only = vec![id.to_owned()];
        let mut single: Vec<Duration> = (0..3)
            .map(|_| {
                let start = Instant::now();
                black_box(run(&rig, &alone, &Unobserved).unwrap());
                start.elapsed()
            })
            .collect();
        let ms = |d: Duration| d.as_secs_f64() * 1e3;
        println!("{id:<32} {:>9.3} ms {:>9.3} ms", ms(median(&mut times)), ms(median(&mut single)));
    }
    println!();
}

/// Plans of the demo, read and checked; the checks that ask the suggester are told apart.
fn plan() {
    let profile = Profile::realtime();
    let whole = Request::all(&profile, DATE.parse().unwrap());
    let mut bare = whole.clone();
    bare.skip = ["structure/unparented", "structure/doubtful-parent", "structure/part-anchor"]
        .map(str::to_owned)
        .to_vec();
    for name in condyle_core::demo::NAMES {
        let text = character(name, 300).unwrap().plan.to_string();
        let mut times: [Vec<Duration>; 2] = Default::default();
        let mut joints = 0;
        for _ in 0..301 {
            for (request, slot) in [(&bare, 0), (&whole, 1)] {
                let start = Instant::now();
                let bundle =
                    Bundle { model: Some(Upload { name: "p", bytes: text.as_bytes() }), ..Bundle::default() };
                let report = run(&read(&bundle, &Limits::default()).unwrap(), request, &Unobserved).unwrap();
                times[slot].push(start.elapsed());
                assert_eq!(report.counts.error, 0);
                joints = report.input.joints as usize;
            }
        }
        let [bare, whole] = times.map(|mut list| median(&mut list).as_secs_f64() * 1e3);
        println!(
            "plan of {joints} joints ({name}): {bare:.3} ms, with what asks the suggester {whole:.3} ms"
        );
    }
}

fn median(times: &mut [Duration]) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

/// The slope of a line through the logarithms.
fn exponent(points: &[(f64, f64)]) -> f64 {
    let points: Vec<(f64, f64)> = points.iter().map(|(x, y)| (x.ln(), y.ln())).collect();
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let over: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let under: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    over / under
}
