//! Names that say the other side.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::remedy;
use crate::check::wording::{count, list, short};
use crate::check::{Band, Bound, Context, Descriptor, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Subject, Unit};
use crate::model::{JointId, Reads, Side};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/side-mismatch",
    summary: "a joint's name says the side it is not on",
    why: "mirroring, retargeting and animators go by the name: a left joint on the right moves the wrong limb",
    rule: Rule { title: "glTF 2.0", section: "3.4" },
    page: include_str!("side_mismatch.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "mismatch",
            case: "",
            on: On::BOTH,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Error),
        },
        Band {
            name: "reversed",
            case: "reversed",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 0.8,
            unit: "share of sided twins",
            severity: Some(Severity::Warning),
        },
    ],
    requires: &[Need::Names],
    reads: Reads::NAMES.union(Reads::JOINTS),
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let names = ctx.facts.names();
    let tree = ctx.facts.tree();
    let sided = |joint: JointId| names.side(joint).filter(|side| *side != Side::Centre);
    let (mut judged, mut all) = (0_u32, 0_u32);
    let mut reversed = Vec::new();
    // Twins that both stand on the plane have no side to be on.
    let apart = |left: JointId| {
        let off = ctx.facts.mirror().map_or(0.0, |plane| plane.distance(ctx.facts.origin(left)).abs());
        off > 5e-3 * ctx.facts.s()
    };
    for (left, right) in ctx.facts.twins().pairs.iter().filter(|(left, _)| apart(*left)) {
        if let (Some(a), Some(b)) = (sided(*left), sided(*right))
            && a != b
        {
            judged += 1;
            if a == Side::Right {
                all += 1;
                // A hand that crosses the middle hangs from an arm of its own side: that is a pose, not a name.
                let kin =
                    |joint: JointId| tree.ancestors(joint).find_map(|up| sided(up).map(|side| (up, side)));
                let crossed = [(*left, a), (*right, b)].iter().all(|(joint, side)| {
                    kin(*joint).is_some_and(|(up, above)| {
                        above == *side
                            && ctx.facts.mirror().is_some_and(|plane| {
                                (plane.distance(ctx.facts.origin(up)) > 0.0) == (above == Side::Left)
                            })
                    })
                });
                if !crossed {
                    reversed.push((*left, *right));
                }
            }
        }
    }
    let share = if judged > 0 { f64::from(all) / f64::from(judged) } else { 0.0 };
    // The limit itself counts as reached.
    if judged >= 2
        && let Some(hit) = sink.judge("reversed", share + 1e-9)
    {
        let text = whole(all as usize, judged, hit.bound());
        let fact = Fact::new(Subject::Rig, text).evidence(
            "share of sided twins that are reversed",
            share,
            hit.limit,
            Unit::One,
        );
        sink.report(hit, fact);
        return;
    }
    // A sided joint below a joint of the other side needs no mirror plane to be wrong.
    let mut wrong: BTreeSet<JointId> = reversed.iter().flat_map(|(a, b)| [*a, *b]).collect();
    for joint in &tree.order {
        let Some(side) = sided(*joint) else { continue };
        // Judged against the nearest sided ancestor that is itself right, so that a wrong limb is not blamed on its tip.
        let above = tree.ancestors(*joint).find_map(|up| sided(up).map(|s| (up, s)));
        if let Some((up, other)) = above {
            let parent_wrong = wrong.contains(&up);
            if (other != side) != parent_wrong {
                wrong.insert(*joint);
            }
        }
    }
    let Some(hit) = sink.breach("") else { return };
    let tops: Vec<JointId> = tree
        .order
        .iter()
        .copied()
        .filter(|joint| {
            wrong.contains(joint) && !tree.parent[joint.index()].is_some_and(|up| wrong.contains(&up))
        })
        .collect();
    let mut by_name: BTreeMap<&str, Vec<JointId>> = BTreeMap::new();
    for (index, joint) in ctx.rig.joints.iter().enumerate() {
        by_name.entry(joint.name.as_deref().unwrap_or("")).or_default().push(JointId::new(index));
    }
    let mut done = BTreeSet::new();
    for top in tops {
        if !done.insert(top) {
            continue;
        }
        let twin = ctx.facts.twins().twin(top).filter(|twin| wrong.contains(twin));
        if let Some(twin) = twin {
            done.insert(twin);
        }
        let mut members: Vec<JointId> = vec![top];
        members.extend(twin);
        let mut at = 0;
        while at < members.len() {
            let below = tree.children[members[at].index()].iter().filter(|child| wrong.contains(child));
            members.extend(below.copied().collect::<Vec<_>>());
            at += 1;
        }
        let renames: Vec<(JointId, String)> = members
            .iter()
            .filter_map(|joint| {
                let name = ctx.rig.joints[joint.index()].name.clone()?;
                let token = names.sides[joint.index()].as_ref()?;
                token.swapped(&name).map(|new| (*joint, new))
            })
            .collect();
        // A new name may be that of a joint that is renamed as well, and no other's.
        let moving: BTreeSet<JointId> = renames.iter().map(|(joint, _)| *joint).collect();
        let unique = renames
            .iter()
            .all(|(_, new)| by_name.get(new.as_str()).into_iter().flatten().all(|j| moving.contains(j)));
        let summary = format!("swap the side in {}", list(members.iter().map(|j| ctx.name(*j))));
        let applicability = if unique { Applicability::Safe } else { Applicability::Review };
        // The one on the left first, wherever the document lists it: the pair's name is the finding's identity.
        let two = ctx
            .facts
            .twins()
            .pairs
            .iter()
            .copied()
            .find(|(left, right)| [*left, *right].contains(&top) && twin.is_some());
        let subject = two.map_or(Subject::Joint(top), |(left, right)| Subject::Pair(left, right));
        let text = match two {
            Some((left, right)) => pair(ctx.name(left), ctx.name(right), members.len() - 2),
            None => single(ctx.name(top), sided(top), members.len() - 1),
        };
        let mut fact = Fact::new(subject, text)
            .evidence("joints", members.len() as f64, Some(0.0), Unit::Count)
            .fix(remedy::rename(ctx.rig, &renames, applicability, summary));
        for member in members {
            fact = fact.related(Subject::Joint(member), "member");
        }
        sink.report(hit, fact);
    }
}

fn whole(reversed: usize, judged: u32, limit: f64) -> String {
    format!(
        "{reversed} of {judged} sided twins are named for the other side: the sides are the viewer's, or the character faces away (limit {} %)",
        short(limit * 100.0)
    )
}

fn pair(a: &str, b: &str, below: usize) -> String {
    let more = if below > 0 {
        format!(", with {} below them", count(below as u64, "joint", "joints"))
    } else {
        String::new()
    };
    format!("{a} and {b} each stand on the side the other is named for{more}")
}

fn single(name: &str, side: Option<Side>, below: usize) -> String {
    let word = if side == Some(Side::Left) { "left" } else { "right" };
    let more = if below > 0 {
        format!(", with {} below it", count(below as u64, "joint", "joints"))
    } else {
        String::new()
    };
    format!("{name} is named {word} and belongs to a limb of the other side{more}")
}

#[cfg(all(test, feature = "testing"))]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod tests {
    use crate::check::{Profile, Request, Unobserved, run};
    use crate::intake::{Bundle, Limits, Upload, read};

    /// Five pairs of legs, of which four are named for the other side.
    fn reversed(limit: &str) -> (usize, String) {
        let mut text = "plan\njoint shell at 0 0.1 0 parent none\n".to_owned();
        for (leg, sides) in [("1", "lr"), ("2", "rl"), ("3", "rl"), ("4", "rl"), ("5", "rl")] {
            for (side, x) in sides.chars().zip([0.2, -0.2]) {
                let line = format!("joint leg_{leg}_{side} at {x} 0.1 0.{leg} parent shell\n");
                text.push_str(&line);
            }
        }
        let bytes = crate::testing::build(&text).unwrap();
        let model = Some(Upload { name: "plan", bytes: &bytes });
        let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
        let profile = Profile::read(&format!(
            "profile = 'condyle.profile/1'\nname = 'own'\nabout = 'a limit of its own'\n\
             [checks.'naming/side-mismatch']\nreason = 'a test'\nbands.reversed.limit = {limit}\n"
        ))
        .unwrap();
        let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
        request.only = vec!["naming/side-mismatch".into()];
        let findings = run(&intake, &request, &Unobserved).unwrap().findings;
        (findings.len(), findings[0].subject.kind.clone())
    }

    #[test]
    fn the_profile_says_from_which_share_on_the_whole_rig_is_reversed() {
        assert_eq!(reversed("0.8"), (1, "rig".into()));
        assert_eq!(reversed("0.5"), (1, "rig".into()));
        assert_eq!(reversed("0.9"), (4, "pair".into()));
    }
}
