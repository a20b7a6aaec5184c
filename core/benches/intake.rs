//! Reading and checking GLBs of rising size against the `gltf` crate importing the same bytes and iterating every
//! attribute through its reader, and against a numpy script where a Python is named. Answers are asserted; digests are
//! not part of either side's time. What it prints, and how to run it: `README.md` beside this file.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

mod peer;

use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::character;
use condyle_core::export::{Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, file_digest, read};
use condyle_core::report::Report;

const SIZES: [usize; 6] = [1_000, 10_000, 50_000, 200_000, 400_000, 1_000_000];
/// The checks that were there when this bench was set its aim; what the rest cost is told by the bench `catalogue`.
const CHECKS: [&str; 17] = [
    "bind/edited-after",
    "bind/posed-rest",
    "naming/copy-leftover",
    "naming/side-mismatch",
    "orientation/mirror-twist",
    "orientation/not-rigid",
    "orientation/twist-drift",
    "placement/mirror-drift",
    "placement/zero-length",
    "skin/bad-joint",
    "skin/carried-joint-weighted",
    "skin/sum",
    "skin/unweighted",
    "structure/cycle",
    "structure/duplicate-name",
    "structure/root",
    "structure/unknown-parent",
];
/// Names the Python (with numpy) that reads the same files; without it that column stays empty.
const PYTHON: &str = "CONDYLE_BENCH_PYTHON";

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    // A child of this very bench: reads and checks one file so often, and prints the most memory that took.
    if let [_, word, file, rounds] = arguments.as_slice()
        && word == "one"
    {
        return one(Path::new(file), rounds.parse().unwrap());
    }
    let python = std::env::var(PYTHON).ok();
    println!(
        "{:>9} {:>9} {:>9} {:>9} {:>9} {:>7} {:>9} {:>7} {:>9} {:>9}",
        "vertices",
        "kB",
        "read ms",
        "checks ms",
        "peer ms",
        "ratio",
        "numpy ms",
        "ratio",
        "digest ms",
        "peak MB"
    );
    let folder = std::env::temp_dir().join(format!("condyle-bench-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let (mut times, mut memory) = (Vec::new(), Vec::new());
    let mut last = 0;
    for wanted in SIZES {
        let scene = character("harbour-clerk", wanted).unwrap().scene;
        let vertices: usize = scene.meshes.iter().map(|mesh| mesh.positions.len()).sum();
        // The generator has a greatest resolution.
        if vertices == last {
            continue;
        }
        last = vertices;
        let glb = write_glb(&scene, &Storage::default());
        drop(scene);
        let file = folder.join(format!("{vertices}.glb"));
        std::fs::write(&file, &glb).unwrap();
        let row = compare(&glb, vertices);
        let peak = peak_of(&file);
        let numpy = python.as_deref().map(|python| numpy(python, &file, vertices));
        let ours = row.reading + row.checking;
        let ms = |d: Duration| d.as_secs_f64() * 1e3;
        let optional = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
        println!(
            "{vertices:>9} {:>9} {:>9.2} {:>9.2} {:>9.2} {:>7.2} {:>9} {:>7} {:>9.2} {:>9}",
            glb.len() / 1_000,
            ms(row.reading),
            ms(row.checking),
            ms(row.peer),
            ms(ours) / ms(row.peer),
            optional(numpy),
            optional(numpy.map(|numpy| ms(ours) / numpy)),
            ms(row.digest),
            optional(peak.map(|bytes| bytes / 1e6)),
        );
        times.push((vertices as f64, ms(ours)));
        memory.extend(peak.map(|bytes| (vertices as f64, bytes)));
    }
    std::fs::remove_dir_all(&folder).unwrap();
    println!("exponent of time in vertices, all sizes: {:.2}", exponent(&times));
    let large = |points: &[(f64, f64)]| -> Vec<(f64, f64)> {
        points.iter().copied().filter(|point| point.0 > 40_000.0).collect()
    };
    println!("exponent of time in vertices, from 50,000 on: {:.2}", exponent(&large(&times)));
    if memory.len() > 1 {
        println!("exponent of memory in vertices, from 50,000 on: {:.2}", exponent(&large(&memory)));
    }
    plan();
}

/// Medians of one file.
struct Row {
    reading: Duration,
    checking: Duration,
    peer: Duration,
    digest: Duration,
}

fn compare(glb: &[u8], vertices: usize) -> Row {
    // About the same number of vertices at every size, and enough rounds for a median.
    let rounds = (4_000_000 / vertices).clamp(9, 301);
    let (mut reading, mut checking, mut peer, mut digests) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    let profile = Profile::realtime();
    let request = asked(&profile);
    for _ in 0..rounds {
        let bundle = Bundle { model: Some(Upload { name: "x.glb", bytes: glb }), ..Bundle::default() };
        let start = Instant::now();
        black_box(file_digest(glb));
        digests.push(start.elapsed());
        let start = Instant::now();
        let intake = read(&bundle, &Limits::default()).unwrap();
        reading.push(start.elapsed());
        let start = Instant::now();
        let report = run(&intake, &request, &Unobserved).unwrap();
        checking.push(start.elapsed());
        drop(intake);
        assert_clean(&report, vertices);
        let start = Instant::now();
        let seen = peer::iterate(glb);
        peer.push(start.elapsed());
        assert_eq!(seen, vertices);
    }
    // Reading computes the digest of the input; it is told apart.
    let digest = median(&mut digests);
    Row {
        reading: median(&mut reading).saturating_sub(digest),
        checking: median(&mut checking),
        peer: median(&mut peer),
        digest,
    }
}

fn asked(profile: &Profile) -> Request<'_> {
    Request {
        only: CHECKS.map(str::to_owned).to_vec(),
        ..Request::all(profile, "2026-11-25".parse().unwrap())
    }
}

fn assert_clean(report: &Report, vertices: usize) {
    assert_eq!(report.input.vertices, vertices as u64);
    assert_eq!((report.counts.error, report.counts.warning), (0, 0));
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

/// Reads and checks one file in this process; prints the growth of its resident memory at the highest, in bytes.
fn one(file: &Path, rounds: usize) {
    let glb = std::fs::read(file).unwrap();
    let profile = Profile::realtime();
    let request = asked(&profile);
    let before = status("VmRSS:");
    for _ in 0..rounds {
        let bundle = Bundle { model: Some(Upload { name: "x.glb", bytes: &glb }), ..Bundle::default() };
        let intake = read(&bundle, &Limits::default()).unwrap();
        black_box(run(&intake, &request, &Unobserved).unwrap());
    }
    if let (Some(before), Some(after)) = (before, status("VmHWM:")) {
        println!("{}", after.saturating_sub(before));
    }
}

/// A line of /proc/self/status in bytes; nothing where there is no such file.
fn status(key: &str) -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = text.lines().find_map(|line| line.strip_prefix(key))?;
    line.trim().strip_suffix(" kB")?.parse::<u64>().ok().map(|kilobytes| kilobytes * 1024)
}

fn peak_of(file: &Path) -> Option<f64> {
    let output =
        Command::new(std::env::current_exe().unwrap()).arg("one").arg(file).arg("1").output().unwrap();
    assert!(output.status.success());
    String::from_utf8(output.stdout).unwrap().trim().parse().ok()
}

/// The numpy reading of the same attributes: its median in milliseconds.
fn numpy(python: &str, file: &Path, vertices: usize) -> f64 {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/outside/time_reading.py");
    let output = Command::new(python).arg(script).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let (ms, seen) = text.trim().split_once(' ').unwrap();
    assert_eq!(seen.parse::<usize>().unwrap(), vertices);
    ms.parse().unwrap()
}

/// A plan, read and checked in process.
fn plan() {
    let plan = character("stilt-heron", 300).unwrap().plan.to_string();
    let profile = Profile::realtime();
    let request = asked(&profile);
    let mut times = Vec::new();
    let mut joints = 0;
    for _ in 0..500 {
        let start = Instant::now();
        let bundle =
            Bundle { model: Some(Upload { name: "p", bytes: plan.as_bytes() }), ..Bundle::default() };
        let report = run(&read(&bundle, &Limits::default()).unwrap(), &request, &Unobserved).unwrap();
        times.push(start.elapsed());
        assert_eq!(report.counts.error, 0);
        joints = report.input.joints;
    }
    println!("a plan of {joints} joints, read and checked: {:.3} ms", median(&mut times).as_secs_f64() * 1e3);
}

fn median(times: &mut [Duration]) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}
