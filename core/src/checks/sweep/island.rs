//! Small shells that lose their shape.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::json;

use crate::check::wording::{count, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{JointId, MeshId, Reads};
use crate::report::Severity;
use crate::sweep::Island;
use crate::sweep::telling;

/// Shells listed in a fix.
const MOST_LISTED: usize = 4_096;
/// A shell below this is a small one, fraction of S.
const SMALL: f64 = 0.05;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/island",
    summary: "a small loose shell loses its shape when a joint turns",
    why: "buttons, teeth and buckles are hard: a shell that hangs between two joints is torn or crushed by them",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("island.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "loose",
            case: "loose",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5.0,
            unit: "%",
            severity: Some(Severity::Error),
        },
        Band {
            name: "small",
            case: "small",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5.0,
            unit: "%",
            severity: Some(Severity::Note),
        },
        Band {
            name: "medium",
            case: "medium",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 5.0,
            unit: "%",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 60.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface) = (ctx.facts.sweep(), ctx.facts.surface());
    sink.left_out(sweep.left_out());
    let mut told: BTreeSet<u32> = BTreeSet::new();
    for (case, small) in [("loose", true), ("small", true), ("medium", false)] {
        let Some(limit) = sink.limit(case) else { continue };
        let mut by_mesh: BTreeMap<MeshId, Vec<&Island>> = BTreeMap::new();
        let of_size = sweep.islands.iter().filter(|island| {
            let kind = (island.size < SMALL) == small && (case != "loose" || !island.jointed);
            kind && !told.contains(&island.shell)
        });
        for island in of_size.filter(|island| island.residual * 100.0 > limit) {
            if let Some(place) = telling::place(surface, island.point) {
                by_mesh.entry(place.part.mesh).or_default().push(island);
            }
        }
        for (mesh, islands) in by_mesh {
            let most = islands.iter().copied().reduce(|a, b| if b.residual > a.residual { b } else { a });
            let Some(worst) = most else { continue };
            let Some(hit) = sink.judge(case, worst.residual * 100.0) else { continue };
            let text = message(
                &ctx.labels.name(&Subject::Mesh(mesh)),
                islands.len() as u64,
                worst,
                hit.bound(),
                &telling::at(ctx.labels, surface, worst.point),
                &telling::when(ctx.labels, worst.posed, &worst.pose),
            );
            let fact = Fact::new(Subject::Mesh(mesh), text)
                .evidence(
                    "off a rigid motion, percent of its radius",
                    worst.residual * 100.0,
                    hit.limit,
                    Unit::One,
                )
                .evidence("size of the shell", worst.size, None, Unit::Size)
                .evidence("shells", islands.len() as f64, None, Unit::Count)
                .fix(rigid(ctx, mesh, &islands));
            sink.report(hit, telling::posed(fact, surface, worst.posed, &worst.pose, worst.point));
            told.extend(islands.iter().map(|island| island.shell));
        }
    }
}

/// Each shell follows the joint that has most of its weight.
fn rigid(ctx: &Context<'_>, mesh: MeshId, islands: &[&Island]) -> Option<Fix> {
    let surface = ctx.facts.surface();
    let mut sums: BTreeMap<u32, BTreeMap<JointId, f64>> =
        islands.iter().take(MOST_LISTED).map(|island| (island.shell, BTreeMap::new())).collect();
    for point in 0..surface.points.len() as u32 {
        if let Some(sums) = sums.get_mut(&surface.shell_of[point as usize]) {
            for one in ctx.facts.skinning().point_row(point) {
                *sums.entry(one.joint).or_default() += f64::from(one.weight);
            }
        }
    }
    let list: Option<Vec<_>> = islands
        .iter()
        .take(MOST_LISTED)
        .map(|island| {
            let heaviest = sums.get(&island.shell)?.iter().reduce(|a, b| if b.1 > a.1 { b } else { a })?;
            let (node, at) =
                (ctx.rig.joints[heaviest.0.index()].node?, telling::place(surface, island.point)?);
            Some(json!({"primitive": at.part.primitive, "vertex": at.vertex, "node": node.0}))
        })
        .collect();
    Some(Fix::Repair {
        applicability: Applicability::Review,
        name: "rigid-islands".into(),
        arguments: json!({"mesh": mesh.0, "islands": list?}),
        summary: "let each of these shells follow the one joint that has most of its weight".into(),
    })
}

fn message(mesh: &str, shells: u64, worst: &Island, limit: f64, at: &str, when: &str) -> String {
    format!(
        "{mesh} has {} that should be rigid and deforms: the one at {at} ({} % of S) is off by {} % of its radius \
         {when}, limit {} %",
        count(shells, "shell", "shells"),
        short(worst.size * 100.0),
        short(worst.residual * 100.0),
        short(limit)
    )
}
