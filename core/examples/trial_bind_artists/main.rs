//! Compares trial binds with the weights that artists made: `trial_bind_artists FOLDER`, with every glTF below it that has
//! weights, beside two baselines. One line per model, then means. The weights are hidden from the bind: it sees the
//! skeleton at bind and the skin's shape.
//!
//! With `--best`, what the smooth bodies would score were the bind changed in the best of many ways, chosen with the artists'
//! weights in sight (`best.rs`): a bound for whatever chooses among these ways.
//!
//! L1 is Σ|w − w'| per point, 0 to 2, mean over points; dominance the share of points whose strongest joint is the
//! artist's; precision and recall are of influences above 1 %.
#![expect(clippy::print_stdout, reason = "a tool for a terminal")]

mod best;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

use condyle_core::bind::{Asked, MOST_KEPT, TrialBind};
use condyle_core::check::Unobserved;
use condyle_core::facts::Facts;
use condyle_core::intake::{Bundle, Intake, Limits, Upload, read};

/// Smaller skins and skeletons are conformance cases, not characters.
const LEAST_POINTS: usize = 100;
const LEAST_JOINTS: usize = 5;
/// An influence counts above this.
const COUNTS: f64 = 0.01;

#[derive(Default, Clone, Copy)]
struct Score {
    points: f64,
    l1: f64,
    dominant: f64,
    hit: f64,
    told: f64,
    real: f64,
}

impl Score {
    fn add(&mut self, ours: &BTreeMap<u32, f64>, theirs: &BTreeMap<u32, f64>) {
        let strongest = |row: &BTreeMap<u32, f64>| {
            row.iter().max_by(|a, b| a.1.total_cmp(b.1).then(b.0.cmp(a.0))).map(|one| *one.0)
        };
        self.points += 1.0;
        let own: f64 = ours.iter().map(|(j, w)| (w - theirs.get(j).unwrap_or(&0.0)).abs()).sum();
        let missed: f64 = theirs.iter().filter(|(j, _)| !ours.contains_key(j)).map(|one| one.1).sum();
        self.l1 += own + missed;
        self.dominant += f64::from(u8::from(strongest(ours) == strongest(theirs)));
        let counts = |row: &BTreeMap<u32, f64>, j: &u32| row.get(j).is_some_and(|w| *w > COUNTS);
        self.told += ours.keys().filter(|j| counts(ours, j)).count() as f64;
        self.real += theirs.keys().filter(|j| counts(theirs, j)).count() as f64;
        self.hit += ours.keys().filter(|j| counts(ours, j) && counts(theirs, j)).count() as f64;
    }

    /// L1, dominance, precision, recall.
    fn figures(&self) -> [f64; 4] {
        [self.l1 / self.points, self.dominant / self.points, self.hit / self.told, self.hit / self.real]
    }
}

fn main() {
    let folder =
        std::env::args_os().nth(1).map_or_else(|| PathBuf::from("../shared/data/models"), PathBuf::from);
    let mut files = Vec::new();
    walk(&folder, &mut files);
    files.sort();
    if std::env::args().any(|word| word == "--best") {
        print_best(&folder, &files);
        return;
    }
    let mut all: BTreeMap<&str, Vec<[[f64; 4]; 3]>> = BTreeMap::new();
    let (mut findings, mut quiet, mut bodies) = (0, 0, 0);
    println!(
        "points\tjoints\tshells\tseconds\tclass\tL1\tdominant\tprecision\trecall\tnearest L1\tdominant\tinverse L1\tdominant\tover-reach\tunseen\tlargest\tpieces\tconfidence\tmodel"
    );
    for path in files {
        let Some(line) = measure(&path) else { continue };
        let name = path.strip_prefix(&folder).unwrap_or(&path).display();
        let [a, b, c] = line.scores;
        println!(
            "{}\t{}\t{}\t{:.2}\t{}\t{:.3}\t{:.3}\t{:.3}\t{:.3}\t{:.3}\t{:.3}\t{:.3}\t{:.3}\t{}\t{:.3}\t{:.2}\t{}\t{:.2}\t{name}",
            line.points,
            line.joints,
            line.shells,
            line.seconds,
            line.class,
            a[0],
            a[1],
            a[2],
            a[3],
            b[0],
            b[1],
            c[0],
            c[1],
            line.over_reach,
            line.unseen,
            line.largest,
            line.pieces,
            line.confidence
        );
        all.entry(line.class).or_default().push(line.scores);
        bodies += 1;
        findings += line.over_reach;
        quiet += u32::from(line.over_reach == 0);
    }
    for (class, list) in &all {
        for (row, what) in
            ["trial bind", "nearest segment", "inverse distance to the 8th"].into_iter().enumerate()
        {
            let mean = |at: usize| list.iter().map(|scores| scores[row][at]).sum::<f64>() / list.len() as f64;
            println!(
                "{class} ({} models) {what}: L1 {:.3} dominant {:.3} precision {:.3} recall {:.3}",
                list.len(),
                mean(0),
                mean(1),
                mean(2),
                mean(3)
            );
        }
    }
    println!("over-reach behind the origin: {findings} findings on {bodies} models, {quiet} with none");
}

struct Line {
    points: usize,
    joints: usize,
    shells: usize,
    seconds: f64,
    class: &'static str,
    scores: [[f64; 4]; 3],
    over_reach: u32,
    unseen: f64,
    largest: f64,
    pieces: bool,
    confidence: f64,
}

/// Bodies with more joints are conformance cases.
const MOST_JOINTS: usize = 500;

fn print_best(folder: &Path, files: &[PathBuf]) {
    let mut bodies = Vec::new();
    for path in files {
        let Some(intake) = weighted(path) else { continue };
        let facts = Facts::new(&intake.rig);
        if !judged(&facts)
            || !facts.bind_on_trial(Asked { influences: MOST_KEPT, ..Asked::default() }, &Unobserved)
        {
            continue;
        }
        let Some(bind) = facts.bound_on_trial() else { continue };
        let artists = artists(&facts, bind);
        let some = artists.iter().any(|row| !row.is_empty());
        if some && (LEAST_JOINTS..MOST_JOINTS).contains(&bind.joints.len()) && !rigid(bind, &artists) {
            bodies.push((maker(folder, path), best::scored(&facts, bind, &artists)));
        }
    }
    println!("{} smooth bodies", bodies.len());
    for line in best::lines(&bodies) {
        println!("{line}");
    }
}

/// One folder holds makers, the others are makers themselves.
fn maker(folder: &Path, path: &Path) -> String {
    let within = path.strip_prefix(folder).unwrap_or(path).parent().unwrap_or(Path::new(""));
    let mut parts = within.components().map(|part| part.as_os_str().to_string_lossy().into_owned());
    let first = parts.next().unwrap_or_default();
    if first == "more" { format!("{first}/{}", parts.next().unwrap_or_default()) } else { first }
}

/// A model, with the buffers beside it.
fn weighted(path: &Path) -> Option<Intake> {
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
    read(&bundle, &Limits::default()).ok()
}

fn judged(facts: &Facts<'_>) -> bool {
    facts.has_weights() && facts.surface().points.len() >= LEAST_POINTS
}

fn measure(path: &Path) -> Option<Line> {
    let intake = weighted(path)?;
    let facts = Facts::new(&intake.rig);
    if !judged(&facts) {
        return None;
    }
    let start = Instant::now();
    let bind = facts.trial_bind().ok()?;
    let seconds = start.elapsed().as_secs_f64();
    if bind.joints.len() < LEAST_JOINTS {
        return None;
    }
    let artists = artists(&facts, bind);
    let mut scores = [Score::default(); 3];
    for (point, theirs) in artists.iter().enumerate().filter(|(_, row)| !row.is_empty()) {
        let ours: BTreeMap<u32, f64> =
            bind.rows[point].influences().map(|(slot, w)| (bind.joints[slot as usize].0, w)).collect();
        scores[0].add(&ours, theirs);
        let mut near: BTreeMap<u32, f64> = BTreeMap::new();
        for segment in &bind.segments {
            let distance = segment.nearest(bind.graph.points[point]).0.distance(bind.graph.points[point]);
            let best = near.entry(bind.joints[segment.slot as usize].0).or_insert(f64::INFINITY);
            *best = best.min(distance);
        }
        let nearest = near.iter().min_by(|a, b| a.1.total_cmp(b.1)).map(|one| *one.0)?;
        scores[1].add(&BTreeMap::from([(nearest, 1.0)]), theirs);
        let mut list: Vec<(u32, f64)> =
            near.iter().map(|(j, d)| (*j, (d.max(1e-3 * bind.s) / bind.s).powi(-8))).collect();
        list.sort_by(|a, b| b.1.total_cmp(&a.1));
        list.truncate(4);
        let sum: f64 = list.iter().map(|one| one.1).sum();
        scores[2].add(&list.into_iter().map(|(j, w)| (j, w / sum)).collect(), theirs);
    }
    if scores[0].points == 0.0 {
        return None;
    }
    let behind = bind.behind();
    let over_reach = behind.iter().filter(|one| one.area > 0.005 * bind.graph.area).count() as u32;
    let unseen = facts.solid().map_or(0.0, |body| bind.unseen(body).area / bind.graph.area);
    Some(Line {
        points: bind.graph.points.len(),
        joints: bind.joints.len(),
        shells: bind.graph.shells.len(),
        seconds,
        class: if rigid(bind, &artists) { "rigid pieces" } else { "smooth" },
        scores: scores.map(|score| score.figures()),
        over_reach,
        unseen,
        largest: bind.graph.main_shell().map_or(0.0, |main| bind.graph.shells[main].area / bind.graph.area),
        pieces: bind.rigid_pieces,
        confidence: bind.confidence(),
    })
}

/// The artists' weights, by point of the graph.
fn artists(facts: &Facts<'_>, bind: &TrialBind) -> Vec<BTreeMap<u32, f64>> {
    let skinning = facts.skinning();
    let row = |point: &u32| {
        let row = skinning.point_row(*point).iter().map(|one| (one.joint.0, f64::from(one.weight)));
        row.collect::<BTreeMap<u32, f64>>()
    };
    bind.graph.surface_point.iter().map(row).collect()
}

/// Nine tenths of the area lie in shells on which the artists' weights are the same everywhere.
fn rigid(bind: &TrialBind, artists: &[BTreeMap<u32, f64>]) -> bool {
    let uniform = bind.graph.shells.iter().filter(|shell| {
        let first = &artists[shell.first as usize];
        artists[shell.range()].iter().all(|row| {
            row.len() == first.len()
                && row.iter().all(|(j, w)| first.get(j).is_some_and(|other| (w - other).abs() < 0.02))
        })
    });
    uniform.map(|shell| shell.area).sum::<f64>() > 0.9 * bind.graph.area
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
