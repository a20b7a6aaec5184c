//! A small separate piece of skin that bends.

use std::collections::BTreeMap;

use glam::DVec3;
use serde_json::json;

use crate::body::NOWHERE;
use crate::body::starts::sum_up;
use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, MeshId, Reads};
use crate::report::Severity;

/// A shell below this share of all skin is small.
const SMALL: f64 = 0.05;
/// Shells listed in a fix.
const MOST_LISTED: usize = 1_024;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "skin/loose-island",
    summary: "a small shell that no joint runs through follows several joints unevenly",
    why: "a button, a tooth or a buckle that should ride along stretches and shears instead",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("loose_island.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "spread",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.5,
            unit: "1",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "slight",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.25,
            unit: "1",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights],
    reads: Reads::WEIGHTS.union(Reads::JOINTS).union(Reads::MESH),
    settings: &[],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// A loose shell.
struct Island {
    shell: u32,
    spread: f64,
    joint: JointId,
    point: u32,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(limit) = sink.limit("") else { return };
    let surface = ctx.facts.surface();
    let total: f64 = surface.shells.iter().map(|shell| shell.area).sum();
    let mut starts = vec![0_u32; surface.shells.len() + 1];
    let small = |shell: u32| shell != NOWHERE && surface.shells[shell as usize].area < SMALL * total;
    for shell in surface.shell_of.iter().filter(|shell| small(**shell)) {
        starts[*shell as usize] += 1;
    }
    let sum = sum_up(&mut starts);
    let mut points = vec![0_u32; sum as usize];
    let mut next = starts.clone();
    for (point, shell) in surface.shell_of.iter().enumerate().filter(|(_, shell)| small(**shell)) {
        points[next[*shell as usize] as usize] = point as u32;
        next[*shell as usize] += 1;
    }
    let mut by_mesh: BTreeMap<MeshId, Vec<Island>> = BTreeMap::new();
    let mut row = Vec::new();
    for shell in 0..surface.shells.len() {
        let list = &points[starts[shell] as usize..starts[shell + 1] as usize];
        let Some(first) = list.first() else { continue };
        if let Some((spread, joint)) = spread(ctx, list, &mut row).filter(|(spread, _)| *spread > limit)
            && !runs_through(ctx, shell as u32, &row)
            && !own_skin(ctx, list, &row)
        {
            let island = Island { shell: shell as u32, spread, joint, point: *first };
            by_mesh.entry(surface.part_at(*first).mesh).or_default().push(island);
        }
    }
    for (mesh, islands) in by_mesh {
        let Some(worst) = islands.iter().max_by(|a, b| a.spread.total_cmp(&b.spread)) else { continue };
        let Some(hit) = sink.judge("", worst.spread) else { continue };
        let part = surface.part_at(worst.point);
        let vertex = surface.members(worst.point)[0] - part.first_vertex;
        let subject = Subject::Mesh(mesh);
        let size = surface.shells[worst.shell as usize].points;
        let place = format!("{} of primitive {}", vertex, part.primitive);
        let text = message(
            &ctx.labels.name(&subject),
            islands.len(),
            worst.spread,
            size,
            &place,
            ctx.name(worst.joint),
            hit.bound(),
        );
        let fact = Fact::new(subject, text)
            .evidence("largest spread of a joint's weight over a shell", worst.spread, hit.limit, Unit::One)
            .evidence("loose shells", islands.len() as f64, None, Unit::Count)
            .related(Subject::Joint(worst.joint), "joint")
            .fix(rigid(ctx, mesh, &islands));
        sink.report(hit, fact);
    }
}

/// The widest spread of one joint's weight over some points, and the joint with most weight; `row` gets the joints
/// with their sums.
fn spread(ctx: &Context<'_>, points: &[u32], row: &mut Vec<(JointId, f64)>) -> Option<(f64, JointId)> {
    let skinning = ctx.facts.skinning();
    let mut all: Vec<(JointId, f32)> = points
        .iter()
        .flat_map(|point| skinning.point_row(*point).iter().map(|one| (one.joint, one.weight)))
        .collect();
    all.sort_unstable_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    row.clear();
    let mut widest = 0.0_f64;
    for run in all.chunk_by(|a, b| a.0 == b.0) {
        let least = if run.len() < points.len() { 0.0 } else { run[0].1 };
        widest = widest.max(f64::from(run[run.len() - 1].1 - least));
        row.push((run[0].0, run.iter().map(|(_, weight)| f64::from(*weight)).sum()));
    }
    let most = row.iter().copied().reduce(|a, b| if b.1 > a.1 { b } else { a })?;
    Some((widest, most.0))
}

/// A segment of one of the joints passes through the shell's box, a tenth larger.
fn runs_through(ctx: &Context<'_>, shell: u32, row: &[(JointId, f64)]) -> bool {
    let shell = &ctx.facts.surface().shells[shell as usize];
    let grown = (shell.high - shell.low) * 0.1;
    let (low, high) = (shell.low - grown, shell.high + grown);
    row.iter().any(|(joint, _)| {
        let origin = ctx.facts.origin(*joint);
        let ends = ctx.facts.reach().ends(*joint).iter().copied();
        ends.chain([origin]).any(|end| crosses(origin, end, low, high))
    })
}

/// Whether a line from `a` to `b` meets a box.
fn crosses(a: DVec3, b: DVec3, low: DVec3, high: DVec3) -> bool {
    let (mut from, mut to) = (0.0_f64, 1.0_f64);
    for axis in 0..3 {
        let along = b[axis] - a[axis];
        if along.abs() < 1e-12 {
            if a[axis] < low[axis] || a[axis] > high[axis] {
                return false;
            }
        } else {
            let (one, other) = ((low[axis] - a[axis]) / along, (high[axis] - a[axis]) / along);
            from = from.max(one.min(other));
            to = to.min(one.max(other));
        }
    }
    from <= to
}

/// A joint has most of its skin here: a soft ear or fin with a joint of its own.
fn own_skin(ctx: &Context<'_>, points: &[u32], row: &[(JointId, f64)]) -> bool {
    row.iter().any(|(joint, _)| {
        let own =
            points.iter().filter(|point| ctx.facts.skinning().dominant[**point as usize] == joint.0).count();
        ctx.facts.reach().radius[joint.index()].is_some_and(|radius| own * 2 > radius.dominated)
    })
}

fn rigid(ctx: &Context<'_>, mesh: MeshId, islands: &[Island]) -> Option<Fix> {
    let surface = ctx.facts.surface();
    let list: Option<Vec<_>> = islands
        .iter()
        .take(MOST_LISTED)
        .map(|island| {
            let vertex = surface.members(island.point)[0];
            let part = &surface.parts[surface.part_of(vertex)];
            let node = ctx.rig.joints[island.joint.index()].node?;
            Some(json!({"primitive": part.primitive, "vertex": vertex - part.first_vertex, "node": node.0}))
        })
        .collect();
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "rigid-islands".into(),
        arguments: json!({"mesh": mesh.0, "islands": list?}),
        summary: "let each of these shells follow one joint, the one with most of its weight".into(),
    })
}

fn message(
    mesh: &str,
    shells: usize,
    spread: f64,
    points: u32,
    place: &str,
    joint: &str,
    limit: f64,
) -> String {
    format!(
        "{} of {mesh} unevenly, the worst ({points} points, with vertex {place}, mostly {joint}) by {} (limit {})",
        count(shells as u64, "small shell follows its joints", "small shells follow their joints"),
        short(spread),
        short(limit)
    )
}
