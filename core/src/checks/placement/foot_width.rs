//! A foot that rocks over another width than it has.

use std::collections::{BTreeSet, VecDeque};

use glam::DVec3;

use crate::body::Body;
use crate::check::wording::{length, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, Unit, vector_json};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/foot-width",
    summary: "a foot's rocking points are not as far apart as the foot is wide",
    why: "the foot rolls over its rocking points: too narrow it sinks in at the edge, too wide it lifts off",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("foot_width.md"),
    on: On::PLAN,
    bands: &[
        Band {
            name: "narrow",
            case: "narrow",
            on: On::PLAN,
            bound: Bound::Below,
            limit: 0.7,
            unit: "1",
            severity: Some(Severity::Note),
        },
        Band {
            name: "wide",
            case: "wide",
            on: On::PLAN,
            bound: Bound::Above,
            limit: 1.3,
            unit: "1",
            severity: Some(Severity::Note),
        },
    ],
    requires: &[Need::Joints, Need::Mesh, Need::Parts],
    reads: Reads::JOINTS.union(Reads::MESH).union(Reads::PARTS),
    settings: &[],
    plantable: Plantable::Range { most: 3.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Side of a cell of the foot's print, fraction of S.
const CELL: f64 = 0.004;
/// Cells from the contact to each side, at most.
const MOST: i32 = 40;
/// Skin up to this far above the contact belongs to the foot, fraction of S.
const HIGH: f64 = 0.03;
/// Feet looked at; a plan with more has no feet to speak of.
const MOST_FEET: usize = 256;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(body) = ctx.facts.solid() else { return };
    let s = ctx.facts.s();
    for (index, foot) in ctx.rig.feet.iter().enumerate().take(MOST_FEET) {
        let Some([a, b]) = foot.rocking else { continue };
        let across = DVec3::new(b.x - a.x, 0.0, b.z - a.z);
        let Some(way) = across.try_normalize() else { continue };
        let declared = across.length();
        let Some((low, high)) = print(ctx, &body, foot.contact, way) else { continue };
        let found = high - low;
        let ratio = declared / found;
        let Some(hit) = sink.judge("narrow", ratio).or_else(|| sink.judge("wide", ratio)) else { continue };
        let part = match foot.part {
            Ok(part) => ctx.labels.name(&Subject::Part(part)),
            Err(ref name) => name.clone(),
        };
        let text = message(&part, declared, found, s, ratio, hit.bound());
        let point = |along: f64, height: f64| {
            let place = (foot.contact + way * along).with_y(height);
            vector_json(ctx.rig.frame.point_to_plan(place))
        };
        let fix = Fix::Patch {
            applicability: Applicability::Review,
            summary: "set the rocking points to the foot's edges".into(),
            patch: vec![PatchOp::set(
                format!("/feet/{index}/rocking"),
                serde_json::Value::Array(vec![point(low, a.y), point(high, b.y)]),
            )],
        };
        let fact = Fact::new(Subject::Foot(index as u32), text)
            .evidence("rocking width over the foot's width", ratio, hit.limit, Unit::One)
            .length("width of the foot", found, None, s)
            .length("distance of the rocking points", declared, None, s)
            .fix(fix);
        sink.report(hit, fact);
    }
}

/// How far the foot's print reaches along a level direction from the contact, metres: the cells around the contact
/// that have skin above them within a small height, seen from below.
fn print(ctx: &Context<'_>, body: &Body<'_>, contact: DVec3, way: DVec3) -> Option<(f64, f64)> {
    let s = ctx.facts.s();
    let (cell, high) = (CELL * s, HIGH * s);
    let ahead = way.cross(DVec3::Y);
    let from = contact.y - high;
    let column = |along: f64, forth: f64| {
        let place = (contact + way * along + ahead * forth).with_y(from);
        body.first_hit(place, DVec3::Y, 2.0 * high).is_some()
    };
    let stands = |(u, v): (i32, i32)| column(f64::from(u) * cell, f64::from(v) * cell);
    let near = (-3..=3).flat_map(|u| (-3..=3).map(move |v| (u, v)));
    let start = near.filter(|at| stands(*at)).min_by_key(|(u, v)| (u * u + v * v, *u, *v))?;
    let mut seen = BTreeSet::from([start]);
    let mut open = VecDeque::from([start]);
    let (mut least, mut most) = (start, start);
    while let Some((u, v)) = open.pop_front() {
        if u < least.0 {
            least = (u, v);
        }
        if u > most.0 {
            most = (u, v);
        }
        for next in [(u - 1, v), (u + 1, v), (u, v - 1), (u, v + 1)] {
            let within = next.0.abs() <= MOST && next.1.abs() <= MOST;
            if within && !seen.contains(&next) && stands(next) {
                seen.insert(next);
                open.push_back(next);
            }
        }
    }
    // The edge lies within the next cell: it is halved eight times.
    let edge = |(u, v): (i32, i32), sign: f64| {
        let (mut inner, mut outer) = (0.0, 1.0);
        for _ in 0..8 {
            let middle = f64::midpoint(inner, outer);
            let there = column((f64::from(u) + sign * middle) * cell, f64::from(v) * cell);
            (inner, outer) = if there { (middle, outer) } else { (inner, middle) };
        }
        (f64::from(u) + sign * inner) * cell
    };
    let (low, high) = (edge(least, -1.0), edge(most, 1.0));
    (high > low).then_some((low, high))
}

fn message(part: &str, declared: f64, found: f64, s: f64, ratio: f64, limit: f64) -> String {
    format!(
        "the rocking points of {part} are {} apart, {} times the foot's width of {} (limit {})",
        length(declared, s),
        short(ratio),
        length(found, s),
        short(limit)
    )
}
