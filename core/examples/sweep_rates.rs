//! What the pose sweep finds in shipped models, and how often it finds faults planted in them.
//!
//! ```text
//! cargo run --release -p condyle-core --features demo --example sweep_rates -- ../shared/data/models
//! ```
//!
//! The makers of the models are split in two halves by a digest of their folder's name, so that limits can be chosen on one and
//! held against the other. With `-v` every finding is listed. Without a folder, the demo characters alone.
#![allow(
    clippy::needless_for_each,
    clippy::case_sensitive_file_extension_comparisons,
    reason = "a tool for a desk"
)]
#![expect(clippy::print_stdout, reason = "a table for people")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use condyle_core::body::NOWHERE;
use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::demo::{NAMES, character};
use condyle_core::export::{Storage, write_glb};
use condyle_core::facts::Facts;
use condyle_core::finding::Unit;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};
use condyle_core::model::{JointId, Rig};
use condyle_core::report::{Finding, NotRunStatus, Severity};
use sha2::Digest as _;

/// Joints of a model in which each fault is planted.
const JOINTS: usize = 6;
/// Of the skin that a joint must own to be one of them.
const OWNS: f64 = 0.005;

fn main() {
    let mut folder = None;
    let mut all = false;
    for word in std::env::args().skip(1) {
        if word == "-v" {
            all = true;
        } else {
            folder = Some(PathBuf::from(word));
        }
    }
    let mut models: Vec<(usize, String, Intake)> = NAMES
        .iter()
        .filter_map(|name| {
            let glb = write_glb(&character(name, 20_000)?.scene, &Storage::default());
            Some((half(Path::new("demo")), (*name).to_owned(), intake(name, &glb, Path::new("."))?))
        })
        .collect();
    let mut files = Vec::new();
    if let Some(folder) = &folder {
        walk(folder, &mut files);
        files.sort();
    }
    for path in &files {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let beside = path.parent().unwrap_or(path);
        if let Ok(bytes) = std::fs::read(path)
            && let Some(read) = intake(&name, &bytes, beside)
        {
            let maker = folder.as_ref().and_then(|folder| beside.strip_prefix(folder).ok()).unwrap_or(beside);
            models.push((half(maker), name, read));
        }
    }
    let mut shipped = [Rates::default(), Rates::default()];
    let mut faults: BTreeMap<&str, [Caught; 2]> = BTreeMap::new();
    for (half, name, intake) in &mut models {
        let found = sweep(intake);
        let Some(found) = found else {
            shipped[*half].rigid += 1;
            continue;
        };
        shipped[*half].add(name, &found, all);
        for fault in FAULTS {
            for (joint, spoilt) in fault.plant(&intake.rig) {
                let sound = std::mem::replace(&mut intake.rig, spoilt);
                let after = sweep(intake);
                intake.rig = sound;
                let entry = &mut faults.entry(fault.name).or_default()[*half];
                entry.of += 1;
                let subject = joint_name(&intake.rig, joint);
                let mut by: Vec<String> = after
                    .iter()
                    .flatten()
                    .filter(|finding| {
                        names(finding, &subject) && !found.iter().any(|old| as_bad(old, finding))
                    })
                    .map(|finding| finding.check.clone())
                    .collect();
                by.dedup();
                let found = by.iter().any(|id| fault.right.contains(&id.as_str()));
                entry.found += u32::from(found);
                if all && !found {
                    println!("{name}: {} on {subject} missed", fault.name);
                }
                for id in by {
                    *entry.by.entry(id).or_default() += 1;
                }
            }
        }
    }
    for (half, rates) in shipped.iter_mut().enumerate() {
        println!("\nhalf {half}");
        rates.print();
    }
    println!("\n{:<14}{:>16}{:>16}{:>16}  found by", "fault", "half 0", "half 1", "both");
    for (name, halves) in faults {
        let [a, b] = &halves;
        let both = Caught { found: a.found + b.found, of: a.of + b.of, by: BTreeMap::new() };
        let mut by: BTreeMap<&str, u32> = BTreeMap::new();
        for (id, n) in a.by.iter().chain(&b.by) {
            *by.entry(id).or_default() += n;
        }
        let by: Vec<String> = by
            .iter()
            .map(|(id, n)| format!("{id} {:.0} %", 100.0 * f64::from(*n) / f64::from(both.of)))
            .collect();
        println!("{name:<14}{:>16}{:>16}{:>16}  {}", a.words(), b.words(), both.words(), by.join(", "));
    }
}

/// Which half a maker is in.
fn half(folder: &Path) -> usize {
    let mut parts = folder.components().map(|part| part.as_os_str().to_string_lossy().into_owned());
    let first = parts.next().unwrap_or_default();
    // One folder holds makers, the others are makers themselves.
    let maker = if first == "more" { folder.to_string_lossy().into_owned() } else { first };
    usize::from(sha2::Sha256::digest(maker).last().is_some_and(|byte| byte % 2 == 1))
}

/// How often a fault was found, and by which checks it was found.
#[derive(Default)]
struct Caught {
    found: u32,
    of: u32,
    by: BTreeMap<String, u32>,
}

impl Caught {
    fn words(&self) -> String {
        format!("{}/{} {:.0} %", self.found, self.of, 100.0 * f64::from(self.found) / f64::from(self.of))
    }
}

/// What fires on sound models.
#[derive(Default)]
struct Rates {
    models: u32,
    rigid: u32,
    silent: u32,
    silent_but_tears: u32,
    warnings: Vec<usize>,
    by: BTreeMap<(String, &'static str), (u32, u32)>,
}

impl Rates {
    fn add(&mut self, name: &str, found: &[Finding], all: bool) {
        self.models += 1;
        let loud: Vec<&Finding> = found.iter().filter(|one| one.severity != Severity::Note).collect();
        self.silent += u32::from(loud.is_empty());
        self.silent_but_tears += u32::from(loud.iter().all(|one| one.check == "sweep/tear"));
        self.warnings.push(loud.len());
        let mut seen = std::collections::BTreeSet::new();
        for one in found {
            let key = (one.check.clone(), one.severity.word());
            let entry = self.by.entry(key.clone()).or_default();
            entry.0 += 1;
            entry.1 += u32::from(seen.insert(key));
            if all {
                println!("{name}: {} {}: {}", one.severity.word(), one.check, one.message);
            }
        }
    }

    fn print(&mut self) {
        self.warnings.sort_unstable();
        let median = self.warnings.get(self.warnings.len() / 2).copied().unwrap_or(0);
        println!(
            "{} models that bend ({} of rigid pieces or without skin, not swept): {} silent, {} but for tears; median \
             {median} errors and warnings",
            self.models, self.rigid, self.silent, self.silent_but_tears
        );
        for ((id, severity), (findings, models)) in &self.by {
            println!("{id:<20}{severity:<9}{findings:>5} findings{models:>5} models");
        }
    }
}

fn intake(name: &str, bytes: &[u8], folder: &Path) -> Option<Intake> {
    let mut beside = Vec::new();
    for entry in std::fs::read_dir(folder).ok()?.flatten().filter(|_| name.ends_with(".gltf")) {
        if entry.path().extension().is_some_and(|e| e == "bin") {
            beside
                .push((entry.file_name().to_string_lossy().into_owned(), std::fs::read(entry.path()).ok()?));
        }
    }
    let files = beside.iter().map(|(name, bytes)| Upload { name, bytes }).collect();
    let bundle = Bundle { model: Some(Upload { name, bytes }), files, plan: None };
    read(&bundle, &Limits::default()).ok()
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

/// The findings of the family; nothing where it does not apply.
fn sweep(intake: &Intake) -> Option<Vec<Finding>> {
    let profile = Profile::realtime();
    let mut request = Request::all(&profile, jiff::civil::date(2026, 1, 1));
    request.only = vec!["sweep".into()];
    request.shown_per_check = 10_000;
    let report = run(intake, &request, &Unobserved).ok()?;
    let idle =
        |id: &str| report.not_run.iter().any(|n| n.check == id && n.status != NotRunStatus::Prerequisite);
    (!idle("sweep/tear")).then_some(report.findings)
}

fn joint_name(rig: &Rig, joint: JointId) -> String {
    condyle_core::check::Labels::new(rig).joint(joint).to_owned()
}

/// Whether a finding is about the joint, or lists it.
fn names(finding: &Finding, joint: &str) -> bool {
    finding.subject.name == joint
        || finding.related.iter().any(|one| one.name == joint)
        || finding.subject.kind == "mesh"
}

/// Whether an old finding is the new one, and not much weaker.
fn as_bad(old: &Finding, new: &Finding) -> bool {
    let measure =
        |one: &Finding| one.evidence.iter().find(|e| e.unit != Unit::Millimetre).and_then(|e| e.measured);
    old.fingerprint == new.fingerprint
        && old.severity <= new.severity
        && match (measure(old), measure(new)) {
            (Some(a), Some(b)) => b <= a * 1.05,
            _ => true,
        }
}

/// A fault that is planted on a joint.
struct Fault {
    name: &'static str,
    /// The checks that name it rightly.
    right: &'static [&'static str],
    plant: fn(&Rig, &Facts<'_>, JointId, u64) -> Option<Rig>,
}

const FAULTS: &[Fault] = &[
    Fault { name: "split seam", right: &["sweep/tear"], plant: split_seam },
    Fault { name: "far patch", right: &["sweep/leak", "sweep/drag"], plant: far_patch },
    Fault { name: "half island", right: &["sweep/island"], plant: half_island },
    Fault { name: "left patch", right: &["sweep/left-behind"], plant: left_patch },
    Fault { name: "noise", right: &["sweep/bump"], plant: noise },
    Fault {
        name: "wrong side",
        right: &["sweep/leak", "sweep/drag", "sweep/left-behind"],
        plant: wrong_side,
    },
];

impl Fault {
    fn plant(&self, rig: &Rig) -> Vec<(JointId, Rig)> {
        let facts = Facts::new(rig);
        let mut owned = vec![0.0; rig.joints.len()];
        let total = facts.surface().points.len() as f64;
        for joint in facts.skinning().dominant.iter().filter(|joint| **joint != NOWHERE) {
            owned[*joint as usize] += 1.0 / total;
        }
        let mut joints: Vec<usize> = (0..rig.joints.len()).filter(|joint| owned[*joint] > OWNS).collect();
        joints.sort_by(|a, b| owned[*b].total_cmp(&owned[*a]).then(a.cmp(b)));
        let step = joints.len().div_ceil(JOINTS).max(1);
        let drawn = joints.into_iter().step_by(step).map(JointId::new).enumerate();
        drawn
            .filter_map(|(seed, joint)| Some((joint, (self.plant)(rig, &facts, joint, seed as u64)?)))
            .collect()
    }
}

/// Sets the influences of a surface's vertex: at most four joints, which its skin has.
fn set(rig: &mut Rig, facts: &Facts<'_>, vertex: u32, row: &[(JointId, f32)]) -> Option<()> {
    let surface = facts.surface();
    let part = &surface.parts[surface.part_of(vertex)];
    let slots: Option<Vec<(u16, f32)>> = row
        .iter()
        .map(|(joint, weight)| {
            let list = &rig.skins[part.skin?.index()].joints;
            Some((list.iter().position(|one| one == joint)? as u16, *weight))
        })
        .collect();
    let slots = slots?;
    let at = (vertex - part.first_vertex) as usize;
    let primitive = &mut rig.meshes[part.mesh.index()].primitives[part.primitive as usize];
    for (number, set) in primitive.influences.iter_mut().enumerate() {
        for slot in 0..4 {
            let one = slots.get(number * 4 + slot).copied().unwrap_or((0, 0.0));
            set.joints[at][slot] = one.0;
            set.weights[at][slot] = one.1;
        }
    }
    (slots.len() <= primitive.influences.len() * 4).then_some(())
}

fn row(facts: &Facts<'_>, vertex: u32) -> Vec<(JointId, f32)> {
    facts.skinning().row(vertex).iter().map(|one| (one.joint, one.weight)).collect()
}

/// Gives a joint a share of a row.
fn blended(mut row: Vec<(JointId, f32)>, joint: JointId, share: f32) -> Vec<(JointId, f32)> {
    row.retain(|one| one.0 != joint);
    row.iter_mut().for_each(|one| one.1 *= 1.0 - share);
    row.push((joint, share));
    row.sort_by(|a, b| b.1.total_cmp(&a.1));
    row.truncate(4);
    let sum: f32 = row.iter().map(|one| one.1).sum();
    row.iter_mut().for_each(|one| one.1 /= sum);
    row
}

fn owned(facts: &Facts<'_>, joint: JointId) -> Vec<u32> {
    let dominant = &facts.skinning().dominant;
    (0..dominant.len() as u32).filter(|point| dominant[*point as usize] == joint.0).collect()
}

/// A number between 0 and 1 from a seed and a number (SplitMix64).
fn random(seed: u64, number: u64) -> f64 {
    let mut z = (seed << 32 ^ number).wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64
}

/// One copy of each of a joint's seam points gets a tenth less of it.
fn split_seam(rig: &Rig, facts: &Facts<'_>, joint: JointId, seed: u64) -> Option<Rig> {
    let (surface, mut spoilt) = (facts.surface(), rig.clone());
    let points: Vec<u32> =
        owned(facts, joint).into_iter().filter(|p| surface.members(*p).len() == 2).collect();
    let other = facts.tree().parent[joint.index()].filter(|up| facts.deforms(*up))?;
    let start = *points.get((random(seed, 1) * points.len() as f64) as usize)?;
    let near =
        |p: &&u32| surface.points[**p as usize].distance(surface.points[start as usize]) < 0.05 * facts.s();
    let (mut count, mut done) = (0, Vec::new());
    for point in points.iter().filter(near) {
        let vertex = surface.members(*point)[1];
        let old = facts.skinning().weight(vertex, joint);
        let mut row = row(facts, vertex);
        row.iter_mut().filter(|one| one.0 == joint).for_each(|one| one.1 = old * 0.9);
        let other_weight = facts.skinning().weight(vertex, other) + old * 0.1;
        row.retain(|one| one.0 != other);
        row.push((other, other_weight));
        set(&mut spoilt, facts, vertex, &row)?;
        count += 1;
        done.push(*point);
    }
    // A seam has an edge.
    let edge = done.iter().any(|p| surface.edges().neighbours(*p).iter().any(|q| done.contains(q)));
    (count >= 2 && edge).then_some(spoilt)
}

/// The points around one, so many steps or as much area.
fn around(facts: &Facts<'_>, start: u32, most: usize) -> Vec<u32> {
    let edges = facts.surface().edges();
    let (mut list, mut head) = (vec![start], 0);
    while head < list.len() && list.len() < most {
        for next in edges.neighbours(list[head]) {
            if list.len() < most && !list.contains(next) {
                list.push(*next);
            }
        }
        head += 1;
    }
    list
}

fn set_points(
    rig: &mut Rig,
    facts: &Facts<'_>,
    points: &[u32],
    change: impl Fn(u32) -> Vec<(JointId, f32)>,
) -> Option<()> {
    for point in points {
        for vertex in facts.surface().members(*point) {
            if !facts.skinning().row(*vertex).is_empty() {
                set(rig, facts, *vertex, &change(*vertex))?;
            }
        }
    }
    Some(())
}

/// A patch far from the joint, on skin of a joint that has nothing to do with it (and does not hang from it: such skin
/// follows it wholly anyway), gets a tenth of it.
fn far_patch(rig: &Rig, facts: &Facts<'_>, joint: JointId, seed: u64) -> Option<Rig> {
    let (surface, mut spoilt) = (facts.surface(), rig.clone());
    let dominant = &facts.skinning().dominant;
    let own = owned(facts, joint);
    let middle =
        own.iter().map(|p| surface.points[*p as usize]).sum::<glam::DVec3>() / own.len().max(1) as f64;
    let list: Vec<u32> = (0..surface.points.len() as u32)
        .filter(|p| {
            let other = dominant[*p as usize];
            let above =
                |low: JointId| facts.reach().attached[low.index()].or(facts.tree().parent[low.index()]);
            let hangs =
                std::iter::successors((other != NOWHERE).then_some(JointId(other)), |low| above(*low));
            other != NOWHERE
                && !hangs.take(1_024).any(|up| up == joint)
                && facts.reach().steps(joint, JointId(other), 4) > 3
                && surface.points[*p as usize].distance(middle) > 0.25 * facts.s()
                && surface.edges().neighbours(*p).len() > 3
        })
        .collect();
    let start = *list.get((random(seed, 2) * list.len() as f64) as usize)?;
    let patch = around(facts, start, 24.min(surface.points.len() / 50).max(7));
    set_points(&mut spoilt, facts, &patch, |vertex| blended(row(facts, vertex), joint, 0.1))?;
    Some(spoilt)
}

/// A small ball beside the joint, one half with it and one with its parent.
fn half_island(rig: &Rig, facts: &Facts<'_>, joint: JointId, _: u64) -> Option<Rig> {
    let mut spoilt = rig.clone();
    let other = facts.tree().parent[joint.index()].filter(|up| facts.deforms(*up))?;
    let point = *owned(facts, joint).first()?;
    let surface = facts.surface();
    let vertex = surface.members(point).iter().copied().find(|v| !facts.skinning().row(*v).is_empty())?;
    let part = &surface.parts[surface.part_of(vertex)];
    let list = &rig.skins[part.skin?.index()].joints;
    let slots = [joint, other].map(|one| list.iter().position(|slot| *slot == one).map(|slot| slot as u16));
    let [Some(a), Some(b)] = slots else { return None };
    let place = facts.bind().skins[part.skin?.index()].mesh_to_world.inverse();
    let primitive = &mut spoilt.meshes[part.mesh.index()].primitives[part.primitive as usize];
    let first = primitive.positions.len() as u32;
    for corner in 0..8_u32 {
        let side = |axis: u32| if corner >> axis & 1 == 1 { 0.01 } else { -0.01 };
        let at = surface.points[point as usize] + glam::DVec3::new(side(0), side(1), side(2)) * facts.s();
        primitive.positions.push(place.transform_point3(at).as_vec3().to_array());
        for (number, set) in primitive.influences.iter_mut().enumerate() {
            let w = if corner & 1 == 1 { 0.75 } else { 0.25 };
            set.joints.push(if number == 0 { [a, b, 0, 0] } else { [0; 4] });
            set.weights.push(if number == 0 { [w, 1.0 - w, 0.0, 0.0] } else { [0.0; 4] });
        }
    }
    for [a, b, c, d] in [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]] {
        primitive.triangles.push([a, b, c].map(|corner: u32| first + corner));
        primitive.triangles.push([a, c, d].map(|corner: u32| first + corner));
    }
    Some(spoilt)
}

/// A patch of 0.3 % of the points, deep in the joint's own skin, stays with its parent.
fn left_patch(rig: &Rig, facts: &Facts<'_>, joint: JointId, seed: u64) -> Option<Rig> {
    let mut spoilt = rig.clone();
    let other = facts.tree().parent[joint.index()].filter(|up| facts.deforms(*up))?;
    let whole =
        |p: &u32| facts.skinning().point_row(*p).iter().any(|one| one.joint == joint && one.weight > 0.95);
    let inner: Vec<u32> = owned(facts, joint)
        .into_iter()
        .filter(|p| whole(p) && facts.surface().edges().neighbours(*p).iter().all(&whole))
        .collect();
    let start = *inner.get((random(seed, 3) * inner.len() as f64) as usize)?;
    let patch = around(facts, start, (facts.surface().points.len() * 3 / 1000).max(4));
    // The whole patch lies inside the joint's skin.
    if !patch.iter().all(whole) {
        return None;
    }
    set_points(&mut spoilt, facts, &patch, |_| vec![(other, 1.0)])?;
    Some(spoilt)
}

/// Every weight of the joint's falloff is multiplied by e^(0.7 N), and the row normalised.
fn noise(rig: &Rig, facts: &Facts<'_>, joint: JointId, seed: u64) -> Option<Rig> {
    let mut spoilt = rig.clone();
    let points: Vec<u32> = (0..facts.surface().points.len() as u32)
        .filter(|p| facts.skinning().point_row(*p).iter().any(|one| one.joint == joint))
        .collect();
    for point in &points {
        // A sum of twelve even numbers is nearly normal (common practice).
        let normal = (0..12).map(|k| random(seed, u64::from(*point) * 16 + k)).sum::<f64>() - 6.0;
        let factor = (0.7 * normal).exp() as f32;
        set_points(&mut spoilt, facts, &[*point], |vertex| {
            let mut row = row(facts, vertex);
            row.iter_mut().filter(|one| one.0 == joint).for_each(|one| one.1 *= factor);
            let sum: f32 = row.iter().map(|one| one.1).sum();
            row.iter_mut().for_each(|one| one.1 /= sum);
            row
        })?;
    }
    (points.len() > 12).then_some(spoilt)
}

/// The joint and its twin have each other's skin.
fn wrong_side(rig: &Rig, facts: &Facts<'_>, joint: JointId, _: u64) -> Option<Rig> {
    let twin = facts.twins().of[joint.index()].filter(|twin| *twin != joint)?;
    let mut spoilt = rig.clone();
    let points: Vec<u32> = (0..facts.surface().points.len() as u32).collect();
    set_points(&mut spoilt, facts, &points, |vertex| {
        let swap = |one: JointId| {
            if one == joint {
                twin
            } else if one == twin {
                joint
            } else {
                one
            }
        };
        row(facts, vertex).into_iter().map(|(one, weight)| (swap(one), weight)).collect()
    })?;
    Some(spoilt)
}
