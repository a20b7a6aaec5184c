//! The whole pose sweep of a character of rising size, beside OpenUSD's skinning of the same poses where a Python is named, and
//! a plain streaming copy. Answers are asserted, times are printed. How to run it: `README.md` beside this file.
#![expect(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a bench may stop at the first surprise, and prints"
)]

use std::hint::black_box;
use std::process::Command;
use std::time::{Duration, Instant};

use condyle_core::demo::character;
use condyle_core::export::{Storage, write_glb};
use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Limits, Upload, read};
use condyle_core::model::{NodeId, Rig};
use condyle_core::sweep::skinning::{posed_nodes, skin_offsets};
use glam::DMat4;

const NAME: &str = "fiddler-porter";
const SIZES: [usize; 4] = [5_000, 20_000, 80_000, 320_000];
/// Names the Python (with usd-core) that skins the same poses; without it that column stays empty.
const PYTHON: &str = "CONDYLE_BENCH_PYTHON";
/// Bytes of the streaming copy: far beyond any cache.
const COPIED: usize = 256 << 20;

fn main() {
    println!("streaming copy: {:.1} GB/s read and as much written", copy());
    println!(
        "{:>9} {:>7} {:>7} {:>12} {:>10} {:>10} {:>10} {:>12} {:>10} {:>12} {:>9} {:>7}",
        "vertices",
        "joints",
        "poses",
        "moved",
        "body ms",
        "1 core ms",
        "all ms",
        "Mv/s, core",
        "skin Mv/s",
        "usd-core ms",
        "usd Mv/s",
        "ratio"
    );
    let python = std::env::var(PYTHON).ok();
    let one = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let mut line = Vec::new();
    for size in SIZES {
        let glb = write_glb(&character(NAME, size).unwrap().scene, &Storage::default());
        let rig = opened(&glb);
        let vertices = skinned_vertices(&rig);
        let (mut body, mut single, mut all) = (Vec::new(), Vec::new(), Vec::new());
        let (mut joints, mut moved) = (0, 0);
        for _ in 0..5 {
            for (alone, list) in [(true, &mut single), (false, &mut all)] {
                let facts = Facts::new(&rig);
                // What other checks ask for, too.
                let start = Instant::now();
                facts.surface().edges();
                facts.skinning();
                facts.reach();
                body.push(start.elapsed());
                let start = Instant::now();
                let sweep = if alone { one.install(|| facts.sweep()) } else { facts.sweep() };
                list.push(start.elapsed());
                assert!(!sweep.rigid && sweep.left_out().is_none());
                assert!(sweep.gaps.is_empty() && sweep.deep.is_empty() && sweep.tears.is_empty());
                joints = sweep.joints.len();
                moved = moving(&facts);
            }
        }
        let (body, single, all) = (median(&mut body), median(&mut single), median(&mut all));
        let plain = skinned(&rig, vertices);
        let poses = joints * 6;
        let usd = python.as_ref().map(|python| peer(python, &glb, vertices));
        let (usd_ms, ratio) = usd.map_or((String::new(), String::new()), |(ms, many)| {
            // Its poses are of every joint of the skin, ours of those that move skin.
            let same = ms * poses as f64 / many as f64;
            let rate = (vertices * poses) as f64 / same / 1e3;
            (format!("{same:>12.1} {rate:>9.1}"), format!("{:.2}", single / same))
        });
        let rate = (vertices * poses) as f64 / single / 1e3;
        println!(
            "{vertices:>9} {joints:>7} {poses:>7} {moved:>12} {body:>10.1} {single:>10.1} {all:>10.1} {rate:>12.1} {plain:>10.1} {usd_ms:>22} \
             {ratio:>7}"
        );
        line.push(((moved as f64).ln(), single.ln()));
    }
    println!("exponent of one core's time in moved vertices: {:.2}", slope(&line));
    by_influences(python.as_deref());
}

/// Skinning alone, every vertex with as many influences, beside the peer's.
fn by_influences(python: Option<&str>) {
    println!("skinning alone, one core, the body of {} vertices asked for", SIZES[1]);
    println!("{:>10} {:>10} {:>10} {:>7}", "influences", "skin Mv/s", "usd Mv/s", "ratio");
    for many in [1_u16, 2, 4] {
        let mut scene = character(NAME, SIZES[1]).unwrap().scene;
        for node in &scene.nodes {
            let (Some(mesh), Some(skin)) = (node.mesh, node.skin) else { continue };
            let joints = scene.skins[skin].joints.len() as u16;
            for row in &mut scene.meshes[mesh].influences {
                let strongest = row.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap().0;
                let one = |k: u16| ((strongest + k) % joints, f32::from(many - k));
                let sum: f32 = (0..many).map(|k| one(k).1).sum();
                *row = (0..many).map(|k| (one(k).0, one(k).1 / sum)).collect();
            }
        }
        let glb = write_glb(&scene, &Storage::default());
        let rig = opened(&glb);
        let vertices = skinned_vertices(&rig);
        let here = skinned(&rig, vertices);
        let there = python.map(|python| {
            let (ms, poses) = peer(python, &glb, vertices);
            (vertices * poses) as f64 / ms / 1e3
        });
        let (there, ratio) = there.map_or((String::new(), String::new()), |rate| {
            (format!("{rate:.1}"), format!("{:.2}", here / rate))
        });
        println!("{many:>10} {here:>10.1} {there:>10} {ratio:>7}");
    }
}

fn opened(glb: &[u8]) -> Rig {
    let bundle = Bundle { model: Some(Upload { name: "crab.glb", bytes: glb }), ..Bundle::default() };
    read(&bundle, &Limits::default()).unwrap().rig
}

fn skinned_vertices(rig: &Rig) -> usize {
    let primitives = rig.meshes.iter().flat_map(|mesh| &mesh.primitives);
    primitives.filter(|one| !one.influences.is_empty()).map(|one| one.positions.len()).sum()
}

/// Millions of vertices a second on one core: all skins of a model in a pose, by the general rule.
fn skinned(rig: &Rig, vertices: usize) -> f64 {
    let worlds = posed_nodes(rig, |node| DMat4::from_rotation_x(0.01 * f64::from(node.0)));
    let drawn = || rig.nodes.iter().enumerate().filter(|(_, node)| node.skin.is_some());
    let rounds = (4_000_000 / vertices).max(5);
    let (mut times, mut places) = (Vec::new(), Vec::new());
    for _ in 0..5 {
        let start = Instant::now();
        for _ in 0..rounds {
            let mut seen = 0;
            for (node, mesh) in drawn().filter_map(|(number, node)| Some((number, node.mesh?))) {
                for primitive in 0..rig.meshes[mesh.index()].primitives.len() {
                    let centre =
                        skin_offsets(rig, NodeId::new(node), primitive, black_box(&worlds), &mut places);
                    assert!(centre.is_some());
                    seen += black_box(&places).len();
                }
            }
            assert_eq!(seen, vertices);
        }
        times.push(start.elapsed() / rounds as u32);
    }
    vertices as f64 / median(&mut times) / 1e3
}

/// Vertices that move, over all joints.
fn moving(facts: &Facts<'_>) -> u64 {
    let tree = facts.tree();
    let mut sum = 0;
    for point in 0..facts.surface().points.len() as u32 {
        let mut above: Vec<u32> = Vec::new();
        for one in facts.skinning().point_row(point) {
            above.extend(tree.ancestors(one.joint).chain([one.joint]).map(|joint| joint.0));
        }
        above.sort_unstable();
        above.dedup();
        sum += above.len() as u64;
    }
    sum
}

/// Milliseconds, and poses.
fn peer(python: &str, glb: &[u8], vertices: usize) -> (f64, usize) {
    let folder = std::env::temp_dir().join(format!("condyle-sweep-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let file = folder.join("crab.glb");
    std::fs::write(&file, glb).unwrap();
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/outside/time_skinning.py");
    let out = Command::new(python).arg(script).arg(&file).arg("3").output().unwrap();
    std::fs::remove_dir_all(&folder).unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let text = String::from_utf8(out.stdout).unwrap();
    let numbers: Vec<f64> = text.split_whitespace().map(|word| word.parse().unwrap()).collect();
    assert_eq!(numbers[2] as usize, vertices, "the peer saw other vertices");
    (numbers[0], numbers[1] as usize)
}

fn copy() -> f64 {
    let from = vec![1_u8; COPIED];
    let mut to = vec![0_u8; COPIED];
    let mut times: Vec<Duration> = (0..5)
        .map(|_| {
            let start = Instant::now();
            to.copy_from_slice(black_box(&from));
            black_box(&mut to);
            start.elapsed()
        })
        .collect();
    COPIED as f64 / median(&mut times) / 1e6
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
