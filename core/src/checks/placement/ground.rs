//! A declared contact that is not where the foot touches the ground.

use std::f64::consts::TAU;

use glam::DVec3;

use crate::body::Body;
use crate::check::wording::{length, share_of_s};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Setting, Sink, Stability};
use crate::finding::{Applicability, Fact, Fix, PatchOp, Subject, vector_json};
use crate::model::Reads;
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/ground",
    summary: "a foot's contact point is above or below its sole",
    why: "the foot is planted by its contact: off the sole it floats above the ground or sinks into it",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("ground.md"),
    on: On::PLAN,
    bands: &[Band {
        name: "off",
        case: "",
        on: On::PLAN,
        bound: Bound::Above,
        limit: 0.01,
        unit: "S",
        severity: Some(Severity::Warning),
    }],
    requires: &[Need::Joints, Need::Mesh, Need::Parts],
    reads: Reads::JOINTS.union(Reads::MESH).union(Reads::PARTS),
    settings: &[Setting {
        name: "around",
        about: "how far around the contact the lowest skin is looked for, fraction of S",
        default: 0.03,
    }],
    plantable: Plantable::Range { most: 0.1 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Columns looked up on each ring around the contact.
const COLUMNS: u32 = 12;

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let Some(body) = ctx.facts.solid() else { return };
    let s = ctx.facts.s();
    for (index, foot) in ctx.rig.feet.iter().enumerate() {
        let subject = Subject::Foot(index as u32);
        let part = match foot.part {
            Ok(part) => ctx.labels.name(&Subject::Part(part)),
            Err(ref name) => name.clone(),
        };
        let lowest = lowest(ctx, &body, foot.contact);
        // Nothing above or below: how far the nearest skin is, then.
        let off = lowest.map_or_else(
            || body.nearest(foot.contact, 4.0 * s).map_or(4.0 * s, |nearest| nearest.distance),
            |lowest| foot.contact.y - lowest,
        );
        let Some(hit) = sink.judge("", off.abs() / s) else { continue };
        let text = message(&part, off, lowest.is_some(), s, hit.bound());
        let mut fact =
            Fact::new(subject, text).length("distance from the lowest skin", off.abs(), hit.limit, s);
        if let Ok(part) = foot.part {
            fact = fact.related(Subject::Part(part), "part");
        }
        let fix = lowest.map(|lowest| {
            let point = foot.contact.with_y(lowest);
            Fix::Patch {
                applicability: Applicability::Review,
                summary: "put the contact on the sole".into(),
                patch: vec![PatchOp::set(
                    format!("/feet/{index}/contact"),
                    vector_json(ctx.rig.frame.point_to_plan(point)),
                )],
            }
        });
        sink.report(hit, fact.fix(fix));
    }
}

/// The height of the lowest skin near a point, looked up from below.
fn lowest(ctx: &Context<'_>, body: &Body<'_>, point: DVec3) -> Option<f64> {
    let size = ctx.facts.size();
    let around = ctx.setting("around") * size.s;
    let floor = size.low.y - size.s;
    let up = |aside: DVec3| {
        let from = (point + aside).with_y(floor);
        body.first_hit(from, DVec3::Y, 4.0 * size.s).map(|height| floor + height)
    };
    let ring = |radius: f64| {
        (0..COLUMNS).map(move |column| {
            let (sin, cos) = (TAU * f64::from(column) / f64::from(COLUMNS)).sin_cos();
            DVec3::new(cos, 0.0, sin) * radius
        })
    };
    std::iter::once(DVec3::ZERO)
        .chain(ring(around / 2.0))
        .chain(ring(around))
        .filter_map(up)
        .min_by(f64::total_cmp)
}

fn message(part: &str, off: f64, found: bool, s: f64, limit: f64) -> String {
    if !found {
        return format!(
            "the contact of {part} has no skin above it: the nearest is {} away (limit {})",
            length(off, s),
            share_of_s(limit)
        );
    }
    let way = if off > 0.0 { "above" } else { "below" };
    format!(
        "the contact of {part} is {} {way} the lowest skin around it (limit {})",
        length(off.abs(), s),
        share_of_s(limit)
    )
}
