//! Seams that open when a joint turns.

use std::collections::BTreeMap;

use serde_json::json;

use crate::check::remedy;
use crate::check::wording::{count, length, share_of_s, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, Subject, Unit};
use crate::model::{MeshId, Reads};
use crate::report::Severity;
use crate::sweep::telling;
use crate::sweep::{Pose, TEAR_ANGLE, Tear};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "sweep/tear",
    summary: "a seam of the skin opens when a joint turns",
    why: "where the copies of one vertex follow different shares of a joint, the background shows through as soon as it moves",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("tear.md"),
    on: On::GLTF,
    bands: &[
        Band {
            name: "open",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "S",
            severity: Some(Severity::Error),
        },
        Band {
            name: "gap",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.002,
            unit: "S",
            severity: Some(Severity::Warning),
        },
        Band {
            name: "slit",
            case: "",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.0001,
            unit: "S",
            severity: Some(Severity::Note),
        },
        Band {
            name: "played",
            case: "played",
            on: On::GLTF,
            bound: Bound::Above,
            limit: 0.01,
            unit: "S",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Weights, Need::Mesh, Need::BendingSkin],
    reads: Reads::WEIGHTS.union(Reads::MESH).union(Reads::JOINTS).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 0.05 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let (sweep, surface, s) = (ctx.facts.sweep(), ctx.facts.surface(), ctx.facts.s());
    sink.left_out(sweep.left_out());
    for played in &sweep.clips {
        let Some(hit) = sink.judge("played", played.gap.amount / s) else { continue };
        let text = format!(
            "{} opens a seam by {} at {} s, at {}, limit {}",
            ctx.labels.name(&Subject::Clip(played.clip)),
            length(played.gap.amount, s),
            short(played.gap.time),
            telling::at(ctx.labels, surface, played.gap.point),
            share_of_s(hit.bound())
        );
        let fact =
            Fact::new(Subject::Clip(played.clip), text).length("widest gap", played.gap.amount, hit.limit, s);
        sink.report(hit, telling::played(fact, surface, played, &played.gap));
    }
    let Some(least) = sink.limit("") else { return };
    let mut by_mesh: BTreeMap<MeshId, Vec<&Tear>> = BTreeMap::new();
    for tear in sweep.tears.iter().filter(|tear| tear.gap > least * s) {
        if let Some(place) = telling::place(surface, tear.point) {
            by_mesh.entry(place.part.mesh).or_default().push(tear);
        }
    }
    for (mesh, tears) in by_mesh {
        let Some(worst) = tears.iter().copied().reduce(|a, b| if b.gap > a.gap { b } else { a }) else {
            continue;
        };
        let Some(hit) = sink.judge("", worst.gap / s) else { continue };
        let pose = Pose { axis: worst.axis, degrees: TEAR_ANGLE };
        let text = message(
            &ctx.labels.name(&Subject::Mesh(mesh)),
            tears.len() as u64,
            &length(worst.gap, s),
            &share_of_s(hit.bound()),
            &telling::at(ctx.labels, surface, worst.point),
            &telling::when(ctx.labels, worst.posed, &pose),
        );
        let mut fact = Fact::new(Subject::Mesh(mesh), text)
            .length("widest gap", worst.gap, hit.limit, s)
            .evidence("difference of following there", f64::from(worst.difference), None, Unit::One)
            .evidence("points that part", tears.len() as f64, None, Unit::Count);
        fact = telling::posed(fact, surface, worst.posed, &pose, worst.point);
        let mut members: Vec<_> = tears.iter().map(|tear| tear.posed).filter(|j| *j != worst.posed).collect();
        members.sort_unstable();
        members.dedup();
        for joint in members.into_iter().take(8) {
            fact = fact.related(Subject::Joint(joint), "parts it, too");
        }
        sink.report(hit, fact.fix(unify(ctx, mesh, &tears)));
    }
}

fn unify(ctx: &Context<'_>, mesh: MeshId, tears: &[&Tear]) -> Fix {
    let surface = ctx.facts.surface();
    let group = |tear: &&Tear| {
        let vertices = surface.members(tear.point).iter().filter_map(|one| telling::vertex(surface, *one));
        let own = vertices.filter(|at| at.part.mesh == mesh && at.part.skin.is_some());
        own.map(|at| json!({"primitive": at.part.primitive, "vertex": at.vertex})).collect::<Vec<_>>()
    };
    let groups: Vec<_> = tears.iter().map(group).filter(|group| group.len() > 1).collect();
    Fix::Repair {
        applicability: Applicability::Review,
        name: "unify-seams".into(),
        arguments: json!({"mesh": mesh.0, "vertices": remedy::groups(groups)}),
        summary: "give all copies of each of these points the mean of their weights".into(),
    }
}

fn message(mesh: &str, points: u64, gap: &str, limit: &str, at: &str, when: &str) -> String {
    format!(
        "{mesh} opens at {} of its seams, by {gap} at {at} {when}, limit {limit}",
        count(points, "point", "points")
    )
}
