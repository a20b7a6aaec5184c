//! Limb segments that run along the skin instead of through the limb.

use std::f64::consts::PI;

use glam::DVec3;

use crate::body::Body;
use crate::check::remedy;
use crate::check::wording::short;
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::facts::TipKind;
use crate::finding::{Fact, Fix, Subject, Unit};
use crate::model::{JointId, PartKind, Reads, Source};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/off-centre",
    summary: "a limb's segment runs close to one side of it",
    why: "skin on the far side travels farther than skin on the near one: twists wobble and bends bulge on one side",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("off_centre.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "imbalance",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 0.8,
        unit: "1",
        severity: Some(Severity::Note),
    }],
    requires: &[Need::Joints, Need::Mesh],
    reads: Reads::JOINTS.union(Reads::MESH).union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Aimed {
        aim: 0.65,
        reason: "the second most uneven chord is judged, so that one look through a fold says nothing: in a flat limb \
                 that is off across its thin side only one chord is uneven",
        kind: &Plantable::Range { most: 1.0 },
    },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

/// Chords across the middle of a segment.
const CHORDS: u32 = 8;
/// Fewer chords that end on the skin at both ends say nothing.
const LEAST_CHORDS: usize = 4;

struct Off {
    joint: JointId,
    imbalance: f64,
    /// Where the middle of the limb lies from the middle of the segment, metres.
    offset: DVec3,
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    if sink.limit("").is_none() {
        return;
    }
    let Some(body) = ctx.facts.solid() else { return };
    let off: Vec<Off> = (0..ctx.rig.joints.len())
        .map(JointId::new)
        .filter(|joint| limb(ctx, *joint))
        .filter_map(|joint| measure(ctx, &body, joint))
        .filter(|off| sink.judge("", off.imbalance).is_some())
        .collect();
    let twins = ctx.facts.twins();
    for one in &off {
        let twin = twins.twin(one.joint).and_then(|twin| off.iter().find(|other| other.joint == twin));
        if twin.is_some() && twins.pairs.iter().any(|(_, right)| *right == one.joint) {
            continue;
        }
        let both: Vec<&Off> = std::iter::once(one).chain(twin).collect();
        let worst = both.iter().map(|one| one.imbalance).fold(0.0, f64::max);
        let Some(hit) = sink.judge("", worst) else { continue };
        let subject = twin.map_or(Subject::Segment(one.joint), |twin| Subject::Pair(one.joint, twin.joint));
        let text = message(ctx.name(one.joint), twin.map(|twin| ctx.name(twin.joint)), worst, hit.bound());
        let mut fact = Fact::new(subject, text).evidence("imbalance", worst, hit.limit, Unit::One).length(
            "distance from the middle of the limb",
            both.iter().map(|one| one.offset.length()).fold(0.0, f64::max),
            None,
            ctx.facts.s(),
        );
        if let Some(twin) = twin {
            fact = fact.related(Subject::Joint(twin.joint), "twin");
        }
        sink.report(hit, fact.fix(centre(ctx, &both)));
    }
}

/// A deforming joint of a limb, never of the trunk.
fn limb(ctx: &Context<'_>, joint: JointId) -> bool {
    let facts = ctx.facts;
    if !facts.deforms(joint) {
        return false;
    }
    match (ctx.rig.source, facts.tips()[joint.index()].kind) {
        (Source::Plan, TipKind::Declared | TipKind::Child(_)) => {}
        (Source::Gltf, TipKind::Child(child) | TipKind::NearChild(child)) if facts.deforms(child) => {}
        _ => return false,
    }
    let part = remedy::part_of(ctx.rig, joint).map(|part| &ctx.rig.parts[part.index()]);
    match part.and_then(|part| part.kind) {
        Some(kind) => matches!(kind, PartKind::Arm | PartKind::Leg | PartKind::Wing | PartKind::Digit),
        // A side says limb, where a plane proves sides.
        None => facts.twins().twin(joint).is_some(),
    }
}

fn measure(ctx: &Context<'_>, body: &Body<'_>, joint: JointId) -> Option<Off> {
    let facts = ctx.facts;
    let (from, to) = (facts.origin(joint), facts.tips()[joint.index()].point);
    let along = (to - from).try_normalize()?;
    let middle = from.lerp(to, 0.5);
    if !(middle.is_finite() && body.holds(middle)) {
        // Outside is another check's finding.
        return None;
    }
    let far = facts.s();
    // The first chord looks at the nearest skin, wherever the character stands.
    let towards = body.nearest(middle, far).map(|nearest| nearest.point - middle);
    let u = towards
        .and_then(|way| way.reject_from_normalized(along).try_normalize())
        .unwrap_or_else(|| along.any_orthonormal_vector());
    let v = along.cross(u);
    let mut imbalances = Vec::with_capacity(CHORDS as usize);
    let mut ends = DVec3::ZERO;
    for chord in 0..CHORDS {
        let (sin, cos) = (PI * f64::from(chord) / f64::from(CHORDS)).sin_cos();
        let way = u * cos + v * sin;
        let reach = |way: DVec3| body.first_hit(middle, way, far);
        if let (Some(a), Some(b)) = (reach(way), reach(-way))
            && a + b > 0.0
        {
            imbalances.push((a - b).abs() / (a + b));
            ends += way * ((a - b) / 2.0);
        }
    }
    if imbalances.len() < LEAST_CHORDS {
        return None;
    }
    imbalances.sort_by(f64::total_cmp);
    // The second largest: one chord may look through a fold.
    let imbalance = imbalances[imbalances.len() - 2];
    // Chords over half a turn: the mean offset of their middles is half of what a full turn of them would give.
    let offset = ends * (2.0 / imbalances.len() as f64);
    Some(Off { joint, imbalance, offset })
}

/// Moves both ends of the segment by what its middle is off; ends that are no joints stay.
fn centre(ctx: &Context<'_>, off: &[&Off]) -> Fix {
    let facts = ctx.facts;
    let mut moves = Vec::new();
    for one in off {
        moves.push((one.joint, facts.origin(one.joint) + one.offset));
        let tip = facts.tips()[one.joint.index()].point;
        let at_tip = facts.tree().children[one.joint.index()]
            .iter()
            .filter(|child| facts.origin(**child).distance(tip) < 1e-3 * facts.s());
        moves.extend(at_tip.map(|child| (*child, facts.origin(*child) + one.offset)));
    }
    remedy::move_origins(facts, &moves, "move the segment to the middle of the limb".into())
}

fn message(name: &str, twin: Option<&str>, imbalance: f64, limit: f64) -> String {
    let who = twin.map_or_else(|| name.to_owned(), |twin| format!("{name} and its twin {twin}"));
    let share = |imbalance: f64| short(f64::midpoint(1.0, imbalance) * 100.0);
    format!(
        "half way along {who}, {} % of the limb lie on one side of the segment (limit {} %)",
        share(imbalance),
        share(limit)
    )
}
