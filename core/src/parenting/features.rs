//! What is measured about "p is the parent of j" and "j is a root": every number free of scale.

use super::geometry::NEAR;
use super::lexicon::Category;
use super::scene::Scene;

/// The names of the features, in order.
pub(super) const FEATURES: &[&str] = &[
    // Which kind of row.
    "is_root",
    "count",
    "spoken",
    "known",
    "tips",
    "inserted_there",
    // Geometry of the pair.
    "far",
    "far_next_j",
    "far_next_p",
    "far_edge",
    "rank_from_j",
    "rank_from_p",
    "lune",
    "sphere",
    "detour",
    "linked",
    "hops",
    "path_ratio",
    "side_share",
    "up_is_p",
    "p_above",
    "j_above",
    "far_gain",
    "mean_gain",
    "radial",
    "rise",
    "ahead",
    "height_j",
    "height_p",
    "lateral_j",
    "lateral_p",
    "outgrow",
    "sides_geo",
    "is_twin",
    "here_same",
    "here_j",
    "here_p",
    "straight_in",
    "straight_out",
    "degree_j",
    "degree_p",
    "rank_j",
    "rank_p",
    "below_share",
    "nearest_of",
    "nearest_p",
    // Names.
    "gap",
    "level_count",
    "level_rank",
    "levels_j",
    "also_is",
    "category_j",
    "category_p",
    "same_category",
    "depth_gain",
    "depth_j",
    "depth_p",
    "sides",
    "rows",
    "same_stem",
    "shared",
    "prefix",
    "contained",
    "stem_j",
    "stem_p",
    "step_places",
    "step_numbers",
    "step_last",
    "run_length",
    "run_near",
    "run_straight",
    "run_outward",
    "run_linked",
    "run_fan",
    "run_place",
    "run_nearer",
    "follows_j",
    "number_same",
    "control_j",
    "control_p",
    "helper_j",
    "helper_p",
    "end_j",
    "end_p",
    "inserted_j",
    "inserted_p",
    "spoken_j",
    "spoken_p",
    "pieces_gain",
    "number_j",
    "variety",
    // Plans.
    "segment",
    "segment_rank",
    "segment_at",
    "to_tip",
    "tip_rank",
    "last_of_part",
    "first_of_part",
    "part_length_p",
    "part_length_j",
    "turn",
    "length_ratio",
    "kind_j",
    "kind_p",
    "head_turn",
    "along_p",
    "end_far",
    "part_apart",
    "part_rank",
    "part_nearest",
    "part_place_p",
    "part_span_p",
    "part_span_j",
    "part_central_p",
    "part_central_j",
    "part_ratio",
    "part_heads",
];

/// How many there are.
pub(super) const WIDTH: usize = FEATURES.len();

/// One row.
pub(super) type Row = [f32; WIDTH];

/// Fills a row in order.
struct Pen {
    row: Row,
    at: usize,
}

impl Pen {
    fn put(&mut self, value: f64) {
        if let Some(slot) = self.row.get_mut(self.at) {
            *slot = value as f32;
        }
        self.at += 1;
    }

    fn flag(&mut self, value: bool) {
        self.put(f64::from(u8::from(value)));
    }

    fn maybe(&mut self, value: Option<f64>) {
        self.put(value.unwrap_or(f64::NAN));
    }
}

/// What all rows of one joint ask for, found once.
#[derive(Debug, Default)]
pub(super) struct Around {
    /// Distances from its origin to the segments of the others, sorted; empty without tips.
    segments: Vec<f64>,
    /// Distances to their tips, sorted.
    tips: Vec<f64>,
    /// Distances to the others' parts, sorted.
    parts: Vec<f64>,
    /// Per part: its distance, and the joint of it that is nearest.
    part: Vec<(f64, usize)>,
    /// The joints with the nearest segments, nearest first.
    pub(super) nearest: Vec<usize>,
}

impl Around {
    pub(super) fn new(scene: &Scene, j: usize) -> Self {
        const NEAREST: usize = 8;
        if !scene.tips {
            return Self::default();
        }
        let others = (0..scene.count()).filter(|k| *k != j);
        let mut segments: Vec<(f64, usize)> = others.map(|k| (scene.to_segment(k, j).0, k)).collect();
        segments.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        let mut part = vec![(f64::INFINITY, usize::MAX); scene.parts.len()];
        for (d, k) in &segments {
            if let Some((of, _)) = scene.items[*k].part
                && let Some(slot) = part.get_mut(of)
                && *d < slot.0
            {
                *slot = (*d, *k);
            }
        }
        let mut parts: Vec<f64> = part.iter().map(|(d, _)| *d).filter(|d| d.is_finite()).collect();
        parts.sort_by(f64::total_cmp);
        let others = scene.items.iter().enumerate().filter(|(k, _)| *k != j);
        let mut tips: Vec<f64> = others
            .filter_map(|(_, item)| item.tip.filter(|tip| tip.is_finite()))
            .map(|tip| tip.distance(scene.layout.at[j]))
            .collect();
        tips.sort_by(f64::total_cmp);
        let nearest = segments.iter().take(NEAREST).map(|(_, k)| *k).collect();
        Self { segments: segments.into_iter().map(|(d, _)| d).collect(), tips, parts, part, nearest }
    }
}

/// How many of a sorted list lie below a value, at most 20.
fn below(list: &[f64], least: f64) -> f64 {
    list.partition_point(|other| *other < least).min(20) as f64
}

/// The row of "j hangs from p", or of "j is a root".
pub(super) fn row(scene: &Scene, around: &Around, p: Option<usize>, j: usize) -> Row {
    let mut pen = Pen { row: [f32::NAN; WIDTH], at: 0 };
    let names = &scene.names;
    pen.flag(p.is_none());
    pen.put((scene.count() as f64).ln());
    pen.put(f64::from(scene.spoken));
    pen.put(names.known);
    pen.flag(scene.tips);
    pen.flag(scene.inserted);
    geometry(scene, p, j, &mut pen);
    said(scene, p, j, &mut pen);
    planned(scene, around, p, j, &mut pen);
    debug_assert_eq!(pen.at, WIDTH);
    pen.row
}

fn geometry(scene: &Scene, p: Option<usize>, j: usize, pen: &mut Pen) {
    let layout = &scene.layout;
    let tree = &layout.tree;
    let count = scene.count() as f64;
    let d = p.map(|p| layout.apart(p, j));
    let size = layout.size;
    pen.maybe(d.map(|d| (d / size + 0.003).ln()));
    pen.maybe(d.map(|d| (d / layout.next[j] + 0.01).ln()));
    pen.maybe(p.zip(d).map(|(p, d)| (d / layout.next[p] + 0.01).ln()));
    pen.maybe(d.map(|d| (d / tree.edge + 0.01).ln()));
    pen.maybe(d.map(|d| layout.nearer(j, d).min(NEAR) as f64));
    pen.maybe(p.zip(d).map(|(p, d)| layout.nearer(p, d).min(NEAR) as f64));
    let (mut lune, mut sphere, mut detour) = (0, 0, f64::NAN);
    if let (Some(p), Some(d)) = (p, d) {
        for (to_j, k) in &layout.near[j] {
            if *to_j >= d {
                break;
            }
            if *k == p {
                continue;
            }
            let to_p = layout.apart(p, *k);
            if to_p < d && *to_j < d {
                lune += 1;
            }
            if to_p * to_p + to_j * to_j < d * d {
                sphere += 1;
            }
            if *to_j > size * 1e-4 && to_p > size * 1e-4 {
                detour = detour.min((to_p + to_j) / d);
                if detour.is_nan() {
                    detour = (to_p + to_j) / d;
                }
            }
        }
    }
    pen.maybe(p.map(|_| f64::from(lune.min(20))));
    pen.maybe(p.map(|_| f64::from(sphere.min(20))));
    pen.put(detour);
    pen.maybe(p.map(|p| f64::from(u8::from(tree.up[j] == Some(p) || tree.up[p] == Some(j)))));
    let path = p.map(|p| tree.path(p, j, 12));
    pen.maybe(path.map(|(steps, _)| f64::from(steps)));
    pen.maybe(path.zip(d).map(|((_, length), d)| ((length + size * 1e-4) / (d + size * 1e-4)).min(20.0)));
    // The share of joints that would stay on p's side if the link between the two were cut.
    pen.maybe(p.map(|p| match tree.climbs(p, j) {
        None => 1.0 - f64::from(tree.below[j]) / count,
        Some(steps) => {
            let mut child = p;
            for _ in 1..steps {
                child = tree.up[child].unwrap_or(child);
            }
            f64::from(tree.below[child]) / count
        }
    }));
    pen.maybe(p.map(|p| f64::from(u8::from(tree.up[j] == Some(p)))));
    pen.maybe(p.map(|p| tree.climbs(j, p).map_or(f64::NAN, f64::from)));
    pen.maybe(p.map(|p| tree.climbs(p, j).map_or(f64::NAN, f64::from)));
    let unit = d.map(|d| d.max(tree.edge * 0.1));
    pen.maybe(p.zip(unit).map(|(p, d)| ((tree.far[j] - tree.far[p]) / d).clamp(-5.0, 5.0)));
    pen.maybe(p.zip(unit).map(|(p, d)| ((tree.mean[j] - tree.mean[p]) / d).clamp(-5.0, 5.0)));
    let from_middle = |k: usize| layout.at[k].distance(layout.middle);
    pen.maybe(p.zip(unit).map(|(p, d)| ((from_middle(j) - from_middle(p)) / d).clamp(-5.0, 5.0)));
    pen.maybe(p.zip(unit).map(|(p, d)| (layout.at[j].y - layout.at[p].y) / d));
    pen.maybe(p.zip(unit).map(|(p, d)| (layout.at[j].z - layout.at[p].z) / d));
    let height = |k: usize| (layout.at[k].y - layout.low.y) / size;
    pen.put(height(j));
    pen.maybe(p.map(height));
    pen.put(layout.lateral(j).abs());
    pen.maybe(p.map(|p| layout.lateral(p).abs()));
    pen.maybe(p.zip(unit).map(|(p, d)| (layout.lateral(j).abs() - layout.lateral(p).abs()) * size / d));
    let side = |k: usize| {
        let lateral = layout.lateral(k);
        if lateral.abs() < 0.012 { 0 } else { lateral.signum() as i32 }
    };
    pen.maybe(p.map(|p| relation(Some(side(p)), Some(side(j)))));
    pen.maybe(p.map(|p| f64::from(u8::from(layout.twin[j] == Some(p)))));
    pen.maybe(p.map(|p| f64::from(u8::from(layout.same(p, j)))));
    pen.put(f64::from(layout.here[j].min(10)));
    pen.maybe(p.map(|p| f64::from(layout.here[p].min(10))));
    // The straightest way into p, and out of j.
    let straight = |at: usize, along: glam::DVec3, not: usize, sign: f64| {
        let mut best = f64::NAN;
        for (distance, k) in layout.near[at].iter().take(7) {
            if *k == not || *distance <= size * 1e-4 {
                continue;
            }
            let way = (layout.at[*k] - layout.at[at]).normalize_or_zero() * sign;
            best = best.max(way.dot(along));
        }
        best
    };
    let along = p.map(|p| (layout.at[j] - layout.at[p]).normalize_or_zero());
    pen.maybe(p.zip(along).map(|(p, along)| straight(p, along, j, -1.0)));
    pen.maybe(p.zip(along).map(|(p, along)| straight(j, along, p, 1.0)));
    pen.put(f64::from(tree.degree[j].min(10)));
    pen.maybe(p.map(|p| f64::from(tree.degree[p].min(10))));
    pen.put(f64::from(layout.rank[j]) / count);
    pen.maybe(p.map(|p| f64::from(layout.rank[p]) / count));
    pen.put(f64::from(tree.below[j]) / count);
    pen.put(layout.near[j].first().map_or(f64::NAN, |(d, _)| (d / size + 0.003).ln()));
    // How many have p as their nearest neighbour.
    pen.maybe(p.map(|p| {
        let list = layout.near[p].iter().take(12);
        list.filter(|(d, k)| layout.near[*k].first().is_some_and(|(least, _)| *least >= *d - size * 1e-6))
            .count() as f64
    }));
}

/// How two sides stand to each other, as a number.
fn relation(p: Option<i32>, j: Option<i32>) -> f64 {
    match (p, j) {
        (Some(0) | None, Some(0) | None) => 0.0,
        (Some(a), Some(b)) if a == b => 1.0,
        (Some(0) | None, Some(_)) => 2.0,
        (Some(_), Some(0) | None) => 3.0,
        (Some(_), Some(_)) => 4.0,
    }
}

fn said(scene: &Scene, p: Option<usize>, j: usize, pen: &mut Pen) {
    let names = &scene.names;
    let layout = &scene.layout;
    let own = &names.readings[j];
    let other = p.map(|p| &names.readings[p]);
    let level = p.and_then(|p| scene.level(p, j));
    let place = level.and_then(|level| scene.levels[j].iter().position(|(l, _)| *l == level));
    pen.maybe(place.map(|place| place as f64));
    pen.maybe(place.map(|place| f64::from(scene.levels[j][place].1.min(30))));
    pen.maybe(
        p.zip(level).map(|(p, level)| scene.nearer_of_level(j, level, layout.apart(p, j)).min(20) as f64),
    );
    pen.put(scene.levels[j].len() as f64);
    pen.maybe(p.map(|p| f64::from(u8::from(own.also.is_some_and(|also| also == scene.category[p])))));
    let category = |k: usize| {
        let category = scene.category[k];
        if category == Category::Unknown { f64::NAN } else { f64::from(category.code()) }
    };
    pen.put(category(j));
    pen.maybe(p.map(category));
    let known = scene.category[j] != Category::Unknown;
    pen.maybe(p.filter(|_| known).map(|p| f64::from(u8::from(scene.category[p] == scene.category[j]))));
    let depth = |k: usize| scene.category[k].depth().map(f64::from);
    pen.maybe(p.and_then(|p| Some(depth(j)? - depth(p)?)));
    pen.maybe(depth(j));
    pen.maybe(p.and_then(depth));
    let side = |k: usize| scene.side[k].map(i32::from);
    pen.maybe(p.map(|p| relation(side(p), side(j))));
    pen.maybe(other.map(|other| relation(Some(i32::from(other.row)), Some(i32::from(own.row)))));
    let same_stem = other.map(|other| other.stem == own.stem);
    pen.maybe(same_stem.map(|same| f64::from(u8::from(same))));
    pen.maybe(p.map(|p| scene.shared(p, j)));
    let common = other.map(|other| {
        let same = other.words.iter().zip(&own.words).take_while(|(a, b)| a == b).count();
        let longest = other.words.len().max(own.words.len());
        if longest == 0 { f64::NAN } else { same as f64 / longest as f64 }
    });
    pen.maybe(common);
    // p's words are a part of j's, or the other way round.
    pen.maybe(other.map(|other| {
        let inside =
            |a: &[u32], b: &[u32]| !a.is_empty() && a.len() < b.len() && a.iter().all(|w| b.contains(w));
        f64::from(i8::from(inside(&other.words, &own.words)) - i8::from(inside(&own.words, &other.words)))
    }));
    pen.put(f64::from(scene.stem_size[own.stem as usize]).ln());
    pen.maybe(other.map(|other| f64::from(scene.stem_size[other.stem as usize]).ln()));
    let step = p.and_then(|p| scene.step(p, j));
    pen.maybe(step.map(|step| step.places.clamp(-6, 6) as f64));
    pen.maybe(step.map(|step| step.numbers.clamp(-12, 12) as f64));
    // Without a step to judge: the run that j itself is in, the one of its last number.
    let run = step.map(|step| step.run).or_else(|| scene.in_runs[j].first().map(|(run, _)| *run));
    let run_data = run.map(|run| &scene.runs[run]);
    pen.maybe(step.and(run_data).map(|run| f64::from(u8::from(run.last))));
    pen.maybe(run_data.map(|run| (run.members.len() as f64).ln()));
    pen.maybe(run_data.map(|run| f64::from(run.near)));
    pen.maybe(run_data.map(|run| f64::from(run.straight)));
    pen.maybe(run_data.map(|run| f64::from(run.outward)));
    pen.maybe(run_data.map(|run| f64::from(run.linked)));
    pen.maybe(run_data.map(|run| f64::from(run.fan)));
    let place_in = run
        .and_then(|run| scene.in_runs[j].iter().find(|(r, _)| *r == run))
        .map(|(run, place)| scene.runs[*run].order[*place]);
    pen.maybe(place_in.map(|place| place.min(12) as f64));
    // Where limbs share their numbers: how many with p's number lie nearer.
    pen.maybe(step.zip(p).and_then(|(step, p)| {
        let d = layout.apart(p, j) - layout.size * 1e-6;
        let (_, place) = scene.in_runs[p].iter().find(|(run, _)| *run == step.run)?;
        let run = &scene.runs[step.run];
        let same = run.of_order(run.order[*place]);
        Some(same.iter().filter(|k| **k != j && layout.apart(**k, j) < d).count().min(12) as f64)
    }));
    pen.flag(scene.follows[j]);
    pen.maybe(other.and_then(|other| {
        let (a, b) = (other.numbers.first()?, own.numbers.first()?);
        Some(f64::from(u8::from(a == b)))
    }));
    pen.flag(own.control || scene.items[j].control);
    pen.maybe(p.map(|p| f64::from(u8::from(names.readings[p].control || scene.items[p].control))));
    pen.flag(own.helper);
    pen.maybe(other.map(|other| f64::from(u8::from(other.helper))));
    pen.flag(own.end);
    pen.maybe(other.map(|other| f64::from(u8::from(other.end))));
    pen.flag(own.inserted);
    pen.maybe(other.map(|other| f64::from(u8::from(other.inserted))));
    pen.flag(own.spoken);
    pen.maybe(other.map(|other| f64::from(u8::from(other.spoken))));
    pen.maybe(other.map(|other| f64::from(own.pieces) - f64::from(other.pieces)));
    pen.maybe(own.numbers.last().map(|number| f64::from((*number).min(20))));
    pen.put(names.variety);
}

fn planned(scene: &Scene, around: &Around, p: Option<usize>, j: usize, pen: &mut Pen) {
    let layout = &scene.layout;
    let size = layout.size;
    let same = size * 1e-6;
    let tip = |k: usize| scene.items[k].tip.filter(|tip| tip.is_finite());
    let planned = p.filter(|_| scene.tips);
    let segment = planned.map(|p| scene.to_segment(p, j));
    pen.maybe(segment.map(|(d, _)| (d / size + 0.003).ln()));
    pen.maybe(segment.map(|(d, _)| below(&around.segments, d - same)));
    pen.maybe(segment.map(|(_, t)| t));
    let to_tip = planned.and_then(|p| Some(tip(p)?.distance(layout.at[j])));
    pen.maybe(to_tip.map(|d| (d / size + 0.003).ln()));
    pen.maybe(to_tip.map(|d| below(&around.tips, d - same)));
    let part = |k: usize| scene.items[k].part.and_then(|(part, place)| Some((scene.parts.get(part)?, place)));
    let ends = planned.and_then(part);
    pen.maybe(ends.zip(p).map(|((list, _), p)| f64::from(u8::from(list.last() == Some(&p)))));
    pen.maybe(ends.zip(p).map(|((list, _), p)| f64::from(u8::from(list.first() == Some(&p)))));
    pen.maybe(ends.map(|(list, _)| list.len().min(12) as f64));
    pen.maybe(part(j).map(|(list, _)| list.len().min(12) as f64));
    let way = |k: usize| tip(k).map(|tip| tip - layout.at[k]);
    let turn = |a: glam::DVec3, b: glam::DVec3| {
        let (a, b) = (a.normalize_or_zero(), b.normalize_or_zero());
        (a != glam::DVec3::ZERO && b != glam::DVec3::ZERO).then(|| a.dot(b))
    };
    pen.maybe(planned.and_then(|p| turn(way(p)?, way(j)?)));
    pen.maybe(planned.and_then(|p| {
        let (a, b) = (way(p)?.length(), way(j)?.length());
        (a > 0.0 && b > 0.0).then(|| (b / a).ln().clamp(-3.0, 3.0))
    }));
    let kind = |k: usize| scene.items[k].kind.map(|kind| f64::from(kind as u8));
    pen.maybe(kind(j));
    pen.maybe(p.and_then(kind));
    // The way from p to the head, against where both go on.
    let over = planned.map(|p| layout.at[j] - layout.at[p]);
    pen.maybe(over.and_then(|over| turn(over, way(j)?)));
    pen.maybe(planned.zip(over).and_then(|(p, over)| turn(over, way(p)?)));
    // A part's head lies nearer to what carries it than its end does.
    pen.maybe(planned.and_then(|p| {
        let (list, _) = part(j)?;
        let end = *list.last()?;
        let (head, far) = (layout.apart(p, j), layout.apart(p, end));
        (end != j).then(|| ((far + size * 1e-3) / (head + size * 1e-3)).ln().clamp(-4.0, 4.0))
    }));
    // The part that p is in.
    let number = |k: usize| scene.items[k].part.map(|(part, _)| part);
    let other = planned.and_then(number).and_then(|part| around.part.get(part));
    pen.maybe(other.map(|(d, _)| (d / size + 0.003).ln()));
    pen.maybe(other.map(|(d, _)| below(&around.parts, *d - same)));
    pen.maybe(other.zip(p).map(|((_, nearest), p)| f64::from(u8::from(*nearest == p))));
    pen.maybe(
        ends.and_then(|(list, place)| (list.len() > 1).then(|| place as f64 / (list.len() - 1) as f64)),
    );
    let extent = |k: usize| number(k).and_then(|part| scene.extent.get(part));
    pen.maybe(planned.and_then(extent).map(|part| (part.length / size + 0.003).ln()));
    pen.maybe(extent(j).map(|part| (part.length / size + 0.003).ln()));
    pen.maybe(planned.and_then(extent).map(|part| part.central));
    pen.maybe(extent(j).map(|part| part.central));
    pen.maybe(planned.and_then(|p| {
        let (a, b) = (extent(p)?, extent(j)?);
        (a.length > 0.0 && b.length > 0.0).then(|| (b.length / a.length).ln().clamp(-4.0, 4.0))
    }));
    pen.maybe(planned.and_then(extent).map(|part| part.heads.min(12.0)));
}
