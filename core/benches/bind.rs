//! The whole trial bind of a coiled body of rising size with 60 joints, beside one factorisation and solve of the same system by
//! CHOLMOD where a Python is named; the braces' re-solves apart. Answers are asserted, times are printed. How to run it:
//! `README.md` beside this file.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

use std::f64::consts::TAU;
use std::io::Write as _;
use std::process::Command;
use std::time::{Duration, Instant};

use condyle_core::bind::brace::propose;
use condyle_core::bind::heat::{System, assemble};
use condyle_core::bind::{Asked, TrialBind};
use condyle_core::check::Unobserved;
use condyle_core::export::{Scene, SceneMesh, SceneNode, Storage, write_glb};
use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use glam::DVec3;
use serde_json::json;

const JOINTS: u32 = 60;
const SIZES: [u32; 5] = [12_500, 50_000, 125_000, 250_000, 500_000];
/// The size at which braces are looked for.
const BRACED: u32 = 50_000;
/// Names the Python (with scikit-sparse) that factors the same system; without it that column stays empty.
const PYTHON: &str = "CONDYLE_BENCH_PYTHON";
/// Largest size, for a look.
const MOST: &str = "CONDYLE_BENCH_MOST";
const ROUNDS: usize = 3;

/// Where the middle of the body lies: three turns, near enough to each other that the nearest segment is often another coil's.
fn middle(t: f64) -> DVec3 {
    let (sin, cos) = (t * 3.0 * TAU).sin_cos();
    DVec3::new(0.6 * cos, 0.4 + 1.2 * t, 0.6 * sin)
}

/// A tube of radius 0.15 about the coil, closed at both ends.
fn body(points: u32) -> SceneMesh {
    let sides = (f64::from(points) / 12.0).sqrt().ceil() as u32;
    let rings = points / sides;
    let mut positions = Vec::new();
    for ring in 0..rings {
        let t = f64::from(ring) / f64::from(rings - 1);
        let along = (middle(t + 1e-4) - middle(t - 1e-4)).normalize();
        let u = along.cross(DVec3::Y).normalize();
        let v = along.cross(u);
        // Round ends: the last rings shrink.
        let to_end = (t.min(1.0 - t) * 80.0).min(1.0);
        let radius = 0.15 * (1.0 - (1.0 - to_end).powi(2)).sqrt().max(0.02);
        for side in 0..sides {
            let (sin, cos) = (TAU * f64::from(side) / f64::from(sides)).sin_cos();
            positions.push((middle(t) + (u * cos + v * sin) * radius).as_vec3().to_array());
        }
    }
    let last = positions.len() as u32;
    positions.extend([0.0, 1.0].map(|t| middle(t).as_vec3().to_array()));
    let at = |ring: u32, side: u32| ring * sides + side % sides;
    let mut indices = Vec::new();
    for side in 0..sides {
        indices.extend([last, at(0, side + 1), at(0, side)]);
        indices.extend([last + 1, at(rings - 1, side), at(rings - 1, side + 1)]);
        for ring in 0..rings - 1 {
            let (a, b) = (at(ring, side), at(ring, side + 1));
            let (c, d) = (at(ring + 1, side), at(ring + 1, side + 1));
            indices.extend([a, b, c, b, d, c]);
        }
    }
    SceneMesh { name: "coil".into(), positions, indices, ..SceneMesh::default() }
}

/// The coil with a chain of joints in it; those that `control` names do not deform.
fn intake(points: u32, control: &[u32]) -> Intake {
    let mut scene = Scene::default();
    scene.meshes.push(body(points));
    scene.nodes.push(SceneNode {
        name: Some("coil".into()),
        parent: None,
        translation: [0.0; 3],
        rotation: [0.0, 0.0, 0.0, 1.0],
        scale: [1.0; 3],
        mesh: Some(0),
        skin: None,
    });
    let glb = write_glb(&scene, &Storage::default());
    let joint = |number: u32| {
        let end = |number: u32| middle(f64::from(number) / f64::from(JOINTS)).to_array();
        let parent = number.checked_sub(1).map(|up| format!("coil_{up}"));
        let role = if control.contains(&number) { "control" } else { "deforming" };
        json!({"name": format!("coil_{number}"), "origin": end(number), "tip": end(number + 1), "parent": parent, "role": role})
    };
    let joints: Vec<_> = (0..JOINTS).map(joint).collect();
    let plan = json!({"schema": "condyle.plan/1", "asset": "coil", "joints": joints}).to_string();
    let upload = |name, bytes| Some(Upload { name, bytes });
    let bundle = Bundle {
        plan: upload("plan.json", plan.as_bytes()),
        model: upload("coil.glb", &glb),
        ..Bundle::default()
    };
    read(&bundle, &Limits::default()).unwrap()
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    // A child of this very bench: binds one body, and prints the most memory that took.
    if let [_, word, size] = arguments.as_slice()
        && word == "one"
    {
        alone(size.parse().unwrap());
        return;
    }
    let python = std::env::var(PYTHON).ok();
    let most = std::env::var(MOST).map_or(u32::MAX, |most| most.parse().unwrap());
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    println!(
        "{:>8} {:>7} {:>10} {:>11} {:>9} {:>12} {:>12} {:>7} {:>10} {:>8} {:>10} {:>8}",
        "points",
        "joints",
        "weld ms",
        "1 core ms",
        "all ms",
        "factor ms",
        "cholmod ms",
        "ratio",
        "MB told",
        "B/point",
        "peak MB",
        "B/point"
    );
    let mut line = Vec::new();
    for size in SIZES.into_iter().filter(|size| *size <= most) {
        let intake = intake(size, &[]);
        let (mut weld, mut single, mut all, mut ours) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let (mut points, mut bytes, mut peer_ms) = (0, 0, None);
        for round in 0..ROUNDS {
            for (alone, list) in [(true, &mut single), (false, &mut all)] {
                let facts = Facts::new(&intake.rig);
                let start = Instant::now();
                facts.surface();
                weld.push(start.elapsed());
                let start = Instant::now();
                let bound = || facts.bind_on_trial(Asked::default(), &Unobserved);
                assert!(if alone { one.install(bound) } else { bound() });
                list.push(start.elapsed());
                let bind = facts.trial_bind().unwrap();
                assert_eq!((bind.joints.len(), bind.graph.shells.len()), (JOINTS as usize, 1));
                assert!(bind.owned().iter().all(|area| *area > 0.0) && bind.reduced.is_none());
                (points, bytes) = (bind.graph.points.len(), bind.bytes());
                if alone {
                    let start = Instant::now();
                    let system =
                        System::new(&bind.graph, &bind.graph.shells[0], &bind.sights, bind.s).unwrap();
                    let field = system.fields(&bind.sights, &[0]);
                    ours.push(start.elapsed());
                    if let Some(python) = python.as_ref().filter(|_| round == 0) {
                        peer_ms = Some(peer(python, bind, &field));
                    }
                }
            }
        }
        let (weld, single, all, ours) =
            (median(&mut weld), median(&mut single), median(&mut all), median(&mut ours));
        let (cholmod, ratio) = peer_ms
            .map_or((String::new(), String::new()), |ms| (format!("{ms:.1}"), format!("{:.2}", single / ms)));
        let peak = peak_of(size);
        println!(
            "{points:>8} {JOINTS:>7} {weld:>10.1} {single:>11.1} {all:>9.1} {ours:>12.1} {cholmod:>12} {ratio:>7} {:>10.1} {:>8} {:>10.1} {:>8}",
            bytes as f64 / 1e6,
            bytes / points as u64,
            peak as f64 / 1e6,
            peak / points as u64
        );
        line.push(((points as f64).ln(), single.ln()));
    }
    println!("exponent of one core's time in points: {:.2}", slope(&line));
    if BRACED <= most {
        braces(&one);
    }
}

/// Binds one body in this process, welded and with its tree already there; prints the growth of its resident memory at the
/// highest, in bytes.
fn alone(size: u32) {
    let intake = intake(size, &[]);
    let facts = Facts::new(&intake.rig);
    assert!(facts.solid().is_some());
    let before = status("VmRSS:");
    // The highest is counted from here (proc(5)).
    std::fs::write("/proc/self/clear_refs", "5").unwrap();
    assert!(facts.bind_on_trial(Asked::default(), &Unobserved));
    assert!(facts.trial_bind().is_ok());
    println!("{}", status("VmHWM:").saturating_sub(before));
}

/// A line of /proc/self/status in bytes (Linux).
fn status(key: &str) -> u64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = text.lines().find_map(|line| line.strip_prefix(key)).unwrap();
    line.trim().strip_suffix(" kB").unwrap().parse::<u64>().unwrap() * 1024
}

fn peak_of(size: u32) -> u64 {
    let mut child = Command::new(std::env::current_exe().unwrap());
    let output = child.arg("one").arg(size.to_string()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().trim().parse().unwrap()
}

/// A stretch of the coil without a deforming joint: the next one reaches over it.
fn braces(one: &rayon::ThreadPool) {
    let intake = intake(BRACED, &(0..8).collect::<Vec<_>>());
    let facts = Facts::new(&intake.rig);
    let bind = facts.trial_bind().unwrap();
    let body = facts.solid().unwrap();
    let behind = bind.behind();
    let worst = (0..behind.len()).max_by(|a, b| behind[*a].area.total_cmp(&behind[*b].area)).unwrap();
    let mut times = Vec::new();
    for _ in 0..ROUNDS {
        let start = Instant::now();
        let brace = one.install(|| propose(bind, body, worst as u32, &Unobserved)).unwrap();
        times.push(start.elapsed());
        assert!(brace.after < brace.before);
    }
    println!(
        "braces for one joint, {} points, one core: {:.1} ms",
        bind.graph.points.len(),
        median(&mut times)
    );
}

/// Milliseconds of one factorisation and solve; its solution must be ours.
fn peer(python: &str, bind: &TrialBind, ours: &[f64]) -> f64 {
    let folder = std::env::temp_dir().join(format!("condyle-bind-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let (system, solution) = (folder.join("system"), folder.join("solution"));
    let matrix = assemble(&bind.graph, &bind.graph.shells[0], |point| bind.sights[point].pull(bind.s));
    let mut bytes: Vec<u8> = Vec::new();
    bytes.extend((matrix.held.len() as u64).to_le_bytes());
    bytes.extend((matrix.rows.len() as u64).to_le_bytes());
    bytes.extend(matrix.starts.iter().chain(&matrix.rows).flat_map(|number| number.to_le_bytes()));
    bytes.extend(matrix.values.iter().flat_map(|number| number.to_le_bytes()));
    for (held, sight) in matrix.held.iter().zip(&bind.sights) {
        let share = if sight.slots().contains(&0) { held / sight.slots().len() as f64 } else { 0.0 };
        bytes.extend(share.to_le_bytes());
    }
    std::fs::File::create(&system).unwrap().write_all(&bytes).unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/outside/time_cholesky.py");
    let mut command = Command::new(python);
    command.env("OMP_NUM_THREADS", "1").env("OPENBLAS_NUM_THREADS", "1");
    let out = command.arg(script).arg(&system).arg(&solution).arg(ROUNDS.to_string()).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let theirs = std::fs::read(&solution).unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    let theirs = theirs.chunks_exact(8).map(|eight| f64::from_le_bytes(eight.try_into().unwrap()));
    let worst = theirs.zip(ours).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(worst < 1e-6, "CHOLMOD's weights differ by {worst}");
    let text = String::from_utf8(out.stdout).unwrap();
    text.split_whitespace().next().unwrap().parse().unwrap()
}

/// Milliseconds.
fn median(times: &mut [Duration]) -> f64 {
    times.sort_unstable();
    times[times.len() / 2].as_secs_f64() * 1e3
}

fn slope(points: &[(f64, f64)]) -> f64 {
    let count = points.len() as f64;
    let mean = points.iter().fold((0.0, 0.0), |sum, one| (sum.0 + one.0 / count, sum.1 + one.1 / count));
    let over: f64 = points.iter().map(|one| (one.0 - mean.0) * (one.1 - mean.1)).sum();
    over / points.iter().map(|one| (one.0 - mean.0).powi(2)).sum::<f64>()
}
