//! Reading and checking a large GLB against the `gltf` crate importing the same bytes and iterating every attribute
//! through its reader. Both answers are asserted; digests are not part of either side's time.
//!
//! `cargo bench -p condyle-core --bench intake`
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

use std::hint::black_box;
use std::time::{Duration, Instant};

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::character;
use condyle_core::export::{Storage, write_glb};
use condyle_core::intake::{Bundle, Limits, Upload, file_digest, read};

const ROUNDS: usize = 9;

fn main() {
    println!(
        "{:>9} {:>11} {:>11} {:>11} {:>11} {:>7}",
        "vertices", "bytes", "read ms", "checks ms", "peer ms", "ratio"
    );
    let mut points = Vec::new();
    for wanted in [1_000, 10_000, 50_000, 200_000, 400_000] {
        let scene = character("harbour-clerk", wanted).unwrap().scene;
        let vertices: usize = scene.meshes.iter().map(|mesh| mesh.positions.len()).sum();
        let glb = write_glb(&scene, &Storage::default());
        let profile = Profile::realtime();
        let request = Request::all(&profile, "2026-11-25".parse().unwrap());
        let (mut reading, mut checking, mut peer, mut digests) =
            (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for _ in 0..ROUNDS {
            let bundle = Bundle { model: Some(Upload { name: "x.glb", bytes: &glb }), ..Bundle::default() };
            let start = Instant::now();
            black_box(file_digest(&glb));
            digests.push(start.elapsed());
            let start = Instant::now();
            let intake = read(&bundle, &Limits::default()).unwrap();
            reading.push(start.elapsed());
            let start = Instant::now();
            let report = run(&intake, &request, &Unobserved).unwrap();
            checking.push(start.elapsed());
            assert_eq!(report.input.vertices, vertices as u64);
            assert_eq!((report.counts.error, report.counts.warning), (0, 0));
            let start = Instant::now();
            let seen = iterate(&glb);
            peer.push(start.elapsed());
            assert_eq!(seen, vertices);
        }
        // Reading computes the digest of the input; it is told apart.
        let read_only = median(&mut reading).saturating_sub(median(&mut digests));
        let (check, other) = (median(&mut checking), median(&mut peer));
        let ours = read_only + check;
        let ms = |d: Duration| d.as_secs_f64() * 1e3;
        println!(
            "{vertices:>9} {:>11} {:>11.2} {:>11.2} {:>11.2} {:>7.2}",
            glb.len(),
            ms(read_only),
            ms(check),
            ms(other),
            ms(ours) / ms(other)
        );
        points.push(((vertices as f64).ln(), ms(ours).ln()));
    }
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let over: f64 = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum();
    let under: f64 = points.iter().map(|p| (p.0 - mx).powi(2)).sum();
    println!("exponent of reading and checks in vertices: {:.2}", over / under);
    plan_of_sixty_joints();
}

/// A 60-joint plan, read and checked in process.
fn plan_of_sixty_joints() {
    let plan = character("stilt-heron", 300).unwrap().plan.to_string();
    let profile = Profile::realtime();
    let request = Request::all(&profile, "2026-11-25".parse().unwrap());
    let mut times = Vec::new();
    for _ in 0..200 {
        let start = Instant::now();
        let bundle =
            Bundle { model: Some(Upload { name: "p", bytes: plan.as_bytes() }), ..Bundle::default() };
        let report = run(&read(&bundle, &Limits::default()).unwrap(), &request, &Unobserved).unwrap();
        times.push(start.elapsed());
        assert_eq!(report.counts.error, 0);
    }
    println!("a plan of 46 joints, read and checked: {:.3} ms", median(&mut times).as_secs_f64() * 1e3);
}

fn median(times: &mut [Duration]) -> Duration {
    times.sort_unstable();
    times[times.len() / 2]
}

/// The peer: `gltf` 1.4.1, every attribute iterated.
fn iterate(glb: &[u8]) -> usize {
    let parsed = gltf::Gltf::from_slice(glb).unwrap();
    let blob = parsed.blob.clone().unwrap();
    let mut vertices = 0;
    let mut sum = 0.0_f32;
    for primitive in parsed.meshes().flat_map(|mesh| mesh.primitives()) {
        let reader = primitive.reader(|_| Some(&blob));
        for p in reader.read_positions().into_iter().flatten() {
            vertices += 1;
            sum += p[0] + p[1] + p[2];
        }
        for n in reader.read_normals().into_iter().flatten() {
            sum += n[0] + n[1] + n[2];
        }
        for j in reader.read_joints(0).into_iter().flat_map(|j| j.into_u16()) {
            sum += f32::from(j[0]);
        }
        for w in reader.read_weights(0).into_iter().flat_map(|w| w.into_f32()) {
            sum += w[0] + w[1] + w[2] + w[3];
        }
        for i in reader.read_indices().into_iter().flat_map(|i| i.into_u32()) {
            sum += i as f32;
        }
    }
    for channel in parsed.animations().flat_map(|clip| clip.channels().collect::<Vec<_>>()) {
        let reader = channel.reader(|_| Some(&blob));
        sum += reader.read_inputs().into_iter().flatten().sum::<f32>();
    }
    black_box(sum);
    vertices
}
