//! What `forecast/over-reach` finds in complete shipped rigs, and how often it notices that a joint was taken out.
//!
//! ```text
//! cargo run --release -p condyle-core --example over_reach_rates -- ../shared/data/models
//! ```
//!
//! Each skinned model is read as the plan of its own skeleton with its skin as the body; its weights only say which joints
//! deform. Then each inner joint that wins enough of the skin is taken out in two ways: its segments go and nothing takes
//! their place, as where nobody drew the joint and the chain has a gap (*gap*); or its children hang from its parent, whose
//! segments reach to them (*rehung*). Noticed is a joint that had no warning before. The makers of the models are
//! split in two halves by a digest of their folder's name, so that limits can be chosen on one and held against the other. With
//! `-v` every model and removal is listed; with `-g` a grid of limits follows; `-n 4` takes out four joints of a model at the most.
#![expect(clippy::print_stdout, reason = "a table for people")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use condyle_core::bind::brace::propose;
use condyle_core::bind::reach::{Above, Limit};
use condyle_core::bind::segments::Segment;
use condyle_core::bind::{Graph, TrialBind, own_skeleton};
use condyle_core::check::Unobserved;
use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use glam::DVec3;
use sha2::Digest as _;

/// Smaller skins and skeletons are conformance cases, not characters; larger ones take too long for so many binds.
const POINTS: std::ops::Range<usize> = 300..40_000;
const LEAST_JOINTS: usize = 6;
/// Of the skin that a joint must win to be taken out.
const OWNS: f64 = 0.015;
/// Joints taken out of one model, unless said.
const MOST: usize = 16;
/// Limits that are tried: body radii, share of the body, cosine to the parent's direction, body radii where the origin hangs free (there all that is on the parent's side counts).
const RADII: [f64; 6] = [1.25, 1.5, 1.75, 2.0, 2.5, 3.0];
const SHARES: [f64; 4] = [0.003, 0.005, 0.0075, 0.01];
const TOWARDS: [f64; 3] = [0.0, 0.5, 0.7];
const FREES: [f64; 4] = [1.0, 1.25, 1.5, f64::INFINITY];
/// Those of the check.
const RULE: Key = (3, 1, 1, 0);

/// A choice of limits.
type Key = (usize, usize, usize, usize);

/// For each limit: the joints beyond it.
type Grid = BTreeMap<Key, BTreeSet<u32>>;

#[derive(Default)]
struct Rates {
    models: u32,
    findings: BTreeMap<Key, u32>,
    quiet: BTreeMap<Key, u32>,
    /// Per way of taking out.
    noticed: [BTreeMap<Key, u32>; 2],
    removals: u32,
    /// Distance of the brace's middle from the segment that was taken out, fraction of S.
    braces: Vec<f64>,
}

fn main() {
    let (mut folder, mut all, mut grid) = (PathBuf::from("../shared/data/models"), false, false);
    let mut most = MOST;
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "-v" => all = true,
            "-g" => grid = true,
            "-n" => most = words.next().and_then(|number| number.parse().ok()).unwrap_or(most),
            _ => folder = PathBuf::from(word),
        }
    }
    let mut files = Vec::new();
    walk(&folder, &mut files);
    files.sort();
    let mut halves = [Rates::default(), Rates::default()];
    let mut seen = BTreeSet::new();
    for path in files {
        let beside = path.parent().unwrap_or(&path);
        let maker = beside.strip_prefix(&folder).unwrap_or(beside);
        let name = path.strip_prefix(&folder).unwrap_or(&path).display().to_string();
        let Some(intake) = intake(&path) else { continue };
        judge(&intake, &name, &mut halves[half(maker)], &mut seen, (most, all));
    }
    for (number, rates) in halves.iter().enumerate() {
        println!("half {number}: {}", told(rates, RULE));
    }
    let both = sum(&halves);
    println!("both: {}", told(&both, RULE));
    let mut apart = both.braces.clone();
    apart.sort_by(f64::total_cmp);
    if !apart.is_empty() {
        let at = |share: f64| apart[((apart.len() - 1) as f64 * share) as usize] * 100.0;
        println!(
            "{} braces proposed; their middle lies {:.1} % of S from the segment that was taken out (median; quartiles {:.1}, {:.1})",
            apart.len(),
            at(0.5),
            at(0.25),
            at(0.75)
        );
    }
    if grid {
        for key in both.findings.keys() {
            println!(
                "radii {} share {} towards {} free {}: half 0 {} | half 1 {}",
                RADII[key.0],
                SHARES[key.1],
                TOWARDS[key.2],
                FREES[key.3],
                told(&halves[0], *key),
                told(&halves[1], *key)
            );
        }
    }
}

fn told(rates: &Rates, key: Key) -> String {
    let of = |map: &BTreeMap<_, u32>| f64::from(map.get(&key).copied().unwrap_or(0));
    format!(
        "{:.2} findings a model, {:.0} % of {} models with none; of {} joints noticed {:.0} % (gap), {:.0} % (rehung)",
        of(&rates.findings) / f64::from(rates.models.max(1)),
        100.0 * of(&rates.quiet) / f64::from(rates.models.max(1)),
        rates.models,
        rates.removals,
        100.0 * of(&rates.noticed[0]) / f64::from(rates.removals.max(1)),
        100.0 * of(&rates.noticed[1]) / f64::from(rates.removals.max(1))
    )
}

fn sum(halves: &[Rates; 2]) -> Rates {
    let mut both = Rates::default();
    for rates in halves {
        both.models += rates.models;
        both.removals += rates.removals;
        both.braces.extend(&rates.braces);
        let add = |to: &mut BTreeMap<_, u32>, from: &BTreeMap<Key, u32>| {
            for (key, n) in from {
                *to.entry(*key).or_default() += n;
            }
        };
        add(&mut both.findings, &rates.findings);
        add(&mut both.quiet, &rates.quiet);
        add(&mut both.noticed[0], &rates.noticed[0]);
        add(&mut both.noticed[1], &rates.noticed[1]);
    }
    both
}

/// A shipped rig: what is found in it, and what is found when joints are taken out.
fn judge(
    intake: &Intake,
    name: &str,
    rates: &mut Rates,
    seen: &mut BTreeSet<(usize, u64)>,
    (most, all): (usize, bool),
) -> Option<()> {
    let facts = Facts::new(&intake.rig);
    let points = facts.surface().points.len();
    if !POINTS.contains(&points) {
        return None;
    }
    let bind = facts.trial_bind().ok()?;
    // The same body with the same skeleton in another file counts once.
    let print = (bind.graph.area * 1e9) as u64;
    if bind.joints.len() < LEAST_JOINTS || bind.rigid_pieces || !seen.insert((points, print)) {
        return None;
    }
    let before = beyond(bind);
    rates.models += 1;
    for (key, joints) in &before {
        *rates.findings.entry(*key).or_default() += joints.len() as u32;
        *rates.quiet.entry(*key).or_default() += u32::from(joints.is_empty());
    }
    if all {
        let joints: Vec<_> =
            before[&RULE].iter().map(|joint| intake.rig.joints[*joint as usize].name.clone()).collect();
        println!("{name}: {points} points, {} joints, found {joints:?}", bind.joints.len());
    }
    let owned = bind.owned();
    let tree = facts.tree();
    let slot_of = |joint: condyle_core::model::JointId| bind.slot(joint);
    let inner = (0..bind.joints.len()).filter(|slot| {
        let joint = bind.joints[*slot];
        owned[*slot] > OWNS * bind.graph.area
            && tree.parent[joint.index()].and_then(slot_of).is_some()
            && tree.children[joint.index()].iter().any(|child| slot_of(*child).is_some())
    });
    for slot in inner.take(most).collect::<Vec<_>>() {
        rates.removals += 1;
        for rehung in [false, true] {
            let Some(after) = without(&facts, bind, slot as u32, rehung) else { continue };
            let mut noticed = false;
            for (key, joints) in beyond(&after) {
                let new = joints.iter().any(|joint| !before[&key].contains(joint));
                *rates.noticed[usize::from(rehung)].entry(key).or_default() += u32::from(new);
                noticed |= new && key == RULE;
            }
            let found = (noticed && !rehung)
                .then(|| brace(&facts, bind, &after, slot as u32, &before[&RULE]))
                .flatten();
            rates.braces.extend(found);
            if all {
                let joint = bind.joints[slot].index();
                let (way, word) =
                    (if rehung { "rehung" } else { "gap" }, if noticed { "noticed" } else { "missed" });
                println!("  {way} {word} {:?} brace {found:?}", intake.rig.joints[joint].name);
            }
        }
    }
    Some(())
}

/// How far the proposed brace lies from the joint that was taken out, fraction of S.
fn brace(
    facts: &Facts<'_>,
    bind: &TrialBind,
    after: &TrialBind,
    gone: u32,
    known: &BTreeSet<u32>,
) -> Option<f64> {
    let behind = after.behind();
    let new = (0..after.joints.len()).filter(|slot| !known.contains(&after.joints[*slot].0));
    let worst = new.max_by(|a, b| behind[*a].area.total_cmp(&behind[*b].area))?;
    let found = propose(after, facts.solid()?, worst as u32, &Unobserved)?;
    let middle = found.from.midpoint(found.to);
    let apart = |segment: &Segment| segment.nearest(middle).0.distance(middle);
    bind.segments_of(gone).iter().map(apart).min_by(f64::total_cmp).map(|apart| apart / bind.s)
}

/// The bind without a joint.
fn without(facts: &Facts<'_>, bind: &TrialBind, gone: u32, rehung: bool) -> Option<TrialBind> {
    let tree = facts.tree();
    let joint = bind.joints[gone as usize];
    let up = tree.parent[joint.index()]?;
    let new_slot = |slot: u32| if slot > gone { slot - 1 } else { slot };
    let mut joints = bind.joints.clone();
    joints.remove(gone as usize);
    let mut segments: Vec<Segment> = Vec::new();
    for segment in bind.segments.iter().filter(|segment| segment.slot != gone) {
        let mut ends = vec![segment.to];
        // The parent's segment to the joint goes on to the joint's children.
        if rehung
            && bind.joints[segment.slot as usize] == up
            && segment.to.distance(facts.origin(joint)) < 1e-4 * bind.s
        {
            let children = tree.children[joint.index()].iter().filter(|child| bind.slot(**child).is_some());
            ends = children.map(|child| facts.origin(*child)).collect();
        }
        segments.extend(ends.into_iter().map(|to| Segment { slot: new_slot(segment.slot), to, ..*segment }));
    }
    let piece: Vec<bool> = {
        let surface = facts.surface();
        let mut piece = vec![false; surface.triangles.len()];
        for (part, carried) in surface.parts.iter().zip(&bind.carried) {
            let first = part.first_triangle as usize;
            piece[first..first + part.triangles as usize].fill(carried.is_some());
        }
        piece
    };
    let graph = Graph::new(facts.surface(), bind.s, |triangle| !piece[triangle as usize]);
    let mut above = bind.above.clone();
    above.remove(gone as usize);
    for (slot, joint_here) in joints.iter().enumerate() {
        if tree.parent[joint_here.index()] == Some(joint) {
            above[slot] = Some(Above { origin: facts.origin(up), deforms: true });
        }
    }
    let after = TrialBind::bind(graph, joints, segments, facts.solid(), bind.s).ok()?;
    Some(TrialBind { above, ..after })
}

/// For each limit the joints with too much skin behind their origins.
fn beyond(bind: &TrialBind) -> Grid {
    // Points behind an origin: joint, body radii, cosine of the angle to the parent's direction, area.
    let mut points: Vec<(u32, f64, f64, f64)> = Vec::new();
    for point in 0..bind.graph.points.len() {
        let Some(reach) = bind.reach(point) else { continue };
        let place = bind.graph.points[point];
        let nearest = bind
            .segments_of(reach.slot)
            .iter()
            .min_by(|a, b| a.nearest(place).0.distance(place).total_cmp(&b.nearest(place).0.distance(place)));
        let (Some(segment), Some(above)) = (nearest, bind.above[reach.slot as usize]) else { continue };
        if segment.nearest(place).1 > 0.0 || segment.from == segment.to {
            continue;
        }
        let (to, up): (DVec3, DVec3) = (place - segment.from, above.origin - segment.from);
        let cosine = to.dot(up) / (to.length() * up.length());
        if cosine.is_finite() {
            points.push((bind.joints[reach.slot as usize].0, reach.ratio, cosine, bind.graph.mass[point]));
        }
    }
    let limits = bind.limits();
    let free: BTreeSet<u32> = bind
        .joints
        .iter()
        .zip(&limits)
        .filter(|(_, it)| **it == Limit::FREE)
        .map(|(joint, _)| joint.0)
        .collect();
    let mut grid = Grid::new();
    for ((k, radii), (t, towards)) in each(&RADII).flat_map(|k| each(&TOWARDS).map(move |t| (k, t))) {
        for (f, less) in each(&FREES) {
            let limit = |joint: &u32| {
                if free.contains(joint) && less < radii {
                    (less, Limit::FREE.towards)
                } else {
                    (radii, towards)
                }
            };
            let mut areas: BTreeMap<u32, f64> = BTreeMap::new();
            let passed = |one: &&(u32, f64, f64, f64)| one.1 > limit(&one.0).0 && one.2 > limit(&one.0).1;
            for (joint, _, _, area) in points.iter().filter(passed) {
                *areas.entry(*joint).or_default() += area;
            }
            for (a, share) in each(&SHARES) {
                let found = areas.iter().filter(|one| *one.1 > share * bind.graph.area);
                grid.insert((k, a, t, f), found.map(|one| *one.0).collect());
            }
        }
    }
    grid
}

fn each(list: &[f64]) -> impl Iterator<Item = (usize, f64)> + '_ {
    list.iter().copied().enumerate()
}

fn intake(path: &Path) -> Option<Intake> {
    let bytes = std::fs::read(path).ok()?;
    let mut beside = Vec::new();
    for entry in std::fs::read_dir(path.parent()?).ok()?.flatten() {
        if entry.path().extension().is_some_and(|e| e == "bin") {
            beside
                .push((entry.file_name().to_string_lossy().into_owned(), std::fs::read(entry.path()).ok()?));
        }
    }
    let files = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    let bundle = Bundle { model: Some(Upload { name: "model", bytes: &bytes }), files, plan: None };
    let model = read(&bundle, &Limits::default()).ok()?;
    if !Facts::new(&model.rig).has_weights() {
        return None;
    }
    own_skeleton(model, &Limits::default()).ok().map(|own| own.intake)
}

/// Which half a maker is in.
fn half(folder: &Path) -> usize {
    let mut parts = folder.components().map(|part| part.as_os_str().to_string_lossy().into_owned());
    let first = parts.next().unwrap_or_default();
    // One folder holds makers, the others are makers themselves.
    let maker = if first == "more" { format!("{first}/{}", parts.next().unwrap_or_default()) } else { first };
    usize::from(sha2::Sha256::digest(maker).last().is_some_and(|byte| byte % 2 == 1))
}

fn walk(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            walk(&path, files);
        } else if path.extension().is_some_and(|e| e == "glb" || e == "gltf") {
            files.push(path);
        }
    }
}
