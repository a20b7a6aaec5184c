//! Limbs of another length than people have.

use crate::anatomy::limbs::arms_and_legs;
use crate::anatomy::proportions::{FOREARM, Proportion, SHANK, THIGH, UPPER_ARM};
use crate::check::wording::{list, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Fact, Subject, Unit};
use crate::model::{JointId, Reads};

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "placement/proportion",
    summary: "a limb's segment is not as long as people's are",
    why: "motion that was recorded from people slides and reaches wrongly on limbs of other proportions",
    rule: Rule {
        title: "Drillis, Contini: Body Segment Parameters, NYU Technical Report 1166.03, 1966",
        section: "as redrawn in Winter: Biomechanics and Motor Control of Human Movement, fig. 4.1",
    },
    page: include_str!("proportion.md"),
    on: On::BOTH,
    bands: &[Band {
        name: "off",
        case: "",
        on: On::BOTH,
        bound: Bound::Above,
        limit: 0.35,
        unit: "1",
        severity: None,
    }],
    requires: &[Need::Joints],
    reads: Reads::JOINTS.union(Reads::BIND),
    settings: &[],
    plantable: Plantable::Range { most: 1.0 },
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

struct Off {
    joint: JointId,
    metres: f64,
    share: f64,
    table: Proportion,
}

impl Off {
    fn measure(&self) -> f64 {
        (self.share / self.table.share - 1.0).abs()
    }
}

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    if sink.limit("").is_none() {
        return;
    }
    let size = ctx.facts.size();
    let stature = size.high.y - size.low.y;
    if stature <= 0.0 {
        return;
    }
    let limbs = arms_and_legs(ctx.facts);
    let off: Vec<Off> = limbs
        .iter()
        .flat_map(|(hinge, arm)| {
            let tables = if *arm { [UPPER_ARM, FOREARM] } else { [THIGH, SHANK] };
            [(hinge.upper, hinge.upper_length(), tables[0]), (hinge.mid, hinge.lower_length(), tables[1])]
        })
        .map(|(joint, metres, table)| Off { joint, metres, share: metres / stature, table })
        .filter(|one| sink.judge("", one.measure()).is_some())
        .collect();
    let Some(worst) =
        off.iter().max_by(|a, b| a.measure().total_cmp(&b.measure()).then_with(|| b.joint.cmp(&a.joint)))
    else {
        return;
    };
    let Some(hit) = sink.judge("", worst.measure()) else { return };
    let names = list(off.iter().map(|one| ctx.name(one.joint)));
    let subject = if off.len() == 1 { Subject::Segment(worst.joint) } else { Subject::Rig };
    let text = message(&names, ctx.name(worst.joint), worst, stature, hit.bound());
    let mut fact = Fact::new(subject, text)
        .evidence("length over the table's, off one", worst.measure(), hit.limit, Unit::One)
        .evidence("length over stature", worst.share, None, Unit::One)
        .length("length", worst.metres, None, size.s);
    for one in &off {
        fact = fact.related(Subject::Joint(one.joint), "member");
    }
    sink.report(hit, fact);
}

fn message(names: &str, name: &str, worst: &Off, stature: f64, limit: f64) -> String {
    let also = if names == name { String::new() } else { format!("; off are {names}") };
    format!(
        "{name} is {} mm long, {} % of the stature of {} m, where a {} has {} % (limit ±{} %){also}",
        short(worst.metres * 1e3),
        short(worst.share * 100.0),
        short(stature),
        worst.table.what,
        short(worst.table.share * 100.0),
        short(limit * 100.0)
    )
}
