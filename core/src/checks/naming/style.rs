//! Names that are empty, unprintable or too long.

use std::collections::BTreeSet;

use crate::check::remedy;
use crate::check::wording::list;
use crate::check::{Band, Bound, Context, Descriptor, Hit, Need, On, Plantable, Rule, Sink, Stability};
use crate::finding::{Applicability, Fact, Subject, Unit};
use crate::model::{JointId, Reads};
use crate::report::Severity;

/// The check.
pub static CHECK: Descriptor = Descriptor {
    id: "naming/style",
    summary: "joints have no name, or one that cannot be read, typed or stored",
    why: "everything that finds a joint finds it by name: one without, or one with an invisible character, is found by nobody",
    rule: Rule { title: "common practice", section: "" },
    page: include_str!("style.md"),
    on: On::BOTH,
    bands: &[
        Band {
            name: "unnamed",
            case: "unnamed",
            on: On::BOTH,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "unprintable",
            case: "unprintable",
            on: On::BOTH,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: Some(Severity::Note),
        },
        Band {
            name: "length",
            case: "length",
            on: On::BOTH,
            bound: Bound::Above,
            limit: 63.0,
            unit: "characters",
            severity: Some(Severity::Note),
        },
        Band {
            name: "characters",
            case: "characters",
            on: On::BOTH,
            bound: Bound::Fact,
            limit: 0.0,
            unit: "",
            severity: None,
        },
    ],
    requires: &[Need::Joints],
    reads: Reads::NAMES,
    settings: &[],
    plantable: Plantable::Boolean,
    stability: Stability::Live,
    since: "0.9.0",
    run,
};

fn run(ctx: &Context<'_>, sink: &mut Sink<'_>) {
    let name = |joint: &JointId| ctx.rig.joints[joint.index()].name.as_deref().unwrap_or("");
    let all: Vec<JointId> = (0..ctx.rig.joints.len()).map(JointId::new).collect();
    let which = |wanted: &dyn Fn(&str) -> bool| -> Vec<JointId> {
        all.iter().copied().filter(|joint| wanted(name(joint))).collect()
    };
    if let Some(hit) = sink.breach("unnamed") {
        let bare = which(&|name| name.trim().is_empty());
        if bare.len() == all.len() {
            let fact = Fact::new(Subject::Rig, nameless(all.len())).evidence(
                "joints without a name",
                all.len() as f64,
                Some(0.0),
                Unit::Count,
            );
            // Nothing else can be said about names.
            sink.report(hit, fact);
            return;
        }
        let renames = numbered(ctx, &bare);
        report(ctx, sink, hit, &bare, &renames, |names, n| {
            if n == 1 { format!("{names} has no name") } else { format!("{n} joints have no name ({names})") }
        });
    }
    if let Some(hit) = sink.breach("unprintable") {
        let odd = which(&|name| !name.trim().is_empty() && cleaned(name) != name);
        let renames = free(ctx, odd.iter().map(|joint| (*joint, cleaned(name(joint)))));
        report(ctx, sink, hit, &odd, &renames, |names, n| {
            let what = "outer spaces or characters that cannot be seen";
            let names: String = names.chars().flat_map(char::escape_debug).collect();
            if n == 1 {
                format!("the name {names} has {what}")
            } else {
                format!("{n} names have {what} ({names})")
            }
        });
    }
    let longest = all.iter().map(|joint| name(joint).chars().count()).max().unwrap_or(0);
    if let Some(hit) = sink.judge("length", longest as f64) {
        let long = which(&|name| name.chars().count() as f64 > hit.bound());
        let limit = hit.bound();
        report(ctx, sink, hit, &long, &[], |_, n| {
            if n == 1 {
                format!("a name is {longest} characters long (limit {limit})")
            } else {
                format!("{n} names are up to {longest} characters long (limit {limit})")
            }
        });
    }
    if let Some(hit) = sink.breach("characters") {
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '.' | '-');
        let odd = which(&|name| cleaned(name) == name && !name.chars().all(plain));
        report(ctx, sink, hit, &odd, &[], |names, n| {
            let what = "characters other than plain letters, digits, _ . -";
            if n == 1 {
                format!("the name {names} has {what}")
            } else {
                format!("{n} names have {what} ({names})")
            }
        });
    }
}

/// One finding for all joints of a kind.
fn report(
    ctx: &Context<'_>,
    sink: &mut Sink<'_>,
    hit: Hit,
    joints: &[JointId],
    renames: &[(JointId, String)],
    message: impl Fn(&str, usize) -> String,
) {
    if joints.is_empty() {
        return;
    }
    let subject = if let [only] = joints { Subject::Joint(*only) } else { Subject::Rig };
    let names: Vec<&str> = joints.iter().map(|joint| ctx.name(*joint)).collect();
    let text = message(&list(names.into_iter()), joints.len());
    let mut fact = Fact::new(subject, text).evidence("joints", joints.len() as f64, Some(0.0), Unit::Count);
    if joints.len() > 1 {
        for joint in joints.iter().take(50) {
            fact = fact.related(Subject::Joint(*joint), "member");
        }
    }
    let fix = (renames.len() == joints.len()).then(|| {
        let summary = format!("rename to {}", list(renames.iter().map(|(_, name)| name.as_str())));
        remedy::rename(ctx.rig, renames, Applicability::Review, summary)
    });
    sink.report(hit, fact.fix(fix));
}

/// Characters that take no place or order others about.
fn unseen(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{ad}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fffd}')
}

fn cleaned(name: &str) -> String {
    name.chars().filter(|c| !unseen(*c)).collect::<String>().trim().to_owned()
}

/// A name by number for joints without one.
fn numbered(ctx: &Context<'_>, joints: &[JointId]) -> Vec<(JointId, String)> {
    let wanted = joints.iter().enumerate().map(|(at, joint)| (*joint, format!("joint_{:02}", at + 1)));
    free(ctx, wanted)
}

/// The renames that are not empty and take no other joint's name.
fn free(ctx: &Context<'_>, wanted: impl Iterator<Item = (JointId, String)>) -> Vec<(JointId, String)> {
    let mut taken: BTreeSet<String> = ctx.rig.joints.iter().filter_map(|joint| joint.name.clone()).collect();
    wanted.filter(|(_, name)| !name.is_empty() && taken.insert(name.clone())).collect()
}

fn nameless(count: usize) -> String {
    format!("none of the {count} joints has a name, so nothing can be said by name")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_seen_is_taken_out_and_every_script_is_kept() {
        assert_eq!(cleaned(" arm\u{200b}_l\t"), "arm_l");
        for name in ["左腕", "Arm L", "mano_izq", "левая", "bras-gauche", "💡"] {
            assert_eq!(cleaned(name), name);
        }
    }
}

#[cfg(all(test, feature = "testing"))]
#[allow(clippy::unwrap_used, reason = "a test may fail loudly")]
mod rigs {
    use serde_json::json;

    use crate::check::{Profile, Request, Unobserved, run};
    use crate::intake::{Bundle, Limits, Upload, read};
    use crate::report::Finding;

    fn found(names: &[&str], profile: &str) -> Vec<Finding> {
        let joints: Vec<_> = names
            .iter()
            .enumerate()
            .map(|(at, name)| json!({"name": name, "origin": [0, at, 0], "parent": null}))
            .collect();
        let plan = json!({"schema": "condyle.plan/1", "asset": "eel", "joints": joints}).to_string();
        let model = Some(Upload { name: "plan", bytes: plan.as_bytes() });
        let intake = read(&Bundle { model, ..Bundle::default() }, &Limits::default()).unwrap();
        let profile =
            Profile::read(&format!("profile = 'condyle.profile/1'\nname = 'own'\nabout = ''\n{profile}"))
                .unwrap();
        let mut request = Request::all(&profile, "2026-01-01".parse().unwrap());
        request.only = vec!["naming/style".into()];
        run(&intake, &request, &Unobserved).unwrap().findings
    }

    #[test]
    fn one_invisible_character_is_told_and_taken_out() {
        let findings = found(&["hips", "lure\u{200b}"], "");
        assert_eq!(findings.len(), 1);
        assert!(findings[0].message.contains("lure\\u{200b}"), "{}", findings[0].message);
        assert!(serde_json::to_string(&findings[0].fix).unwrap().contains("\"lure\""));
    }

    #[test]
    fn a_taken_name_is_not_given_twice() {
        let findings = found(&["lure", "lure "], "");
        assert_eq!(findings.len(), 1);
        assert!(findings[0].fix.is_none());
    }

    #[test]
    fn nobody_named_anything_is_one_note() {
        let findings = found(&["", " "], "");
        assert_eq!(findings.len(), 1);
        assert_eq!(findings[0].subject.kind, "rig");
    }

    #[test]
    fn other_scripts_are_fine_unless_a_profile_says_otherwise() {
        assert!(found(&["左腕", "rücken"], "").is_empty());
        let strict = "[checks.'naming/style']\nreason = 'a test'\nbands.characters.severity = 'warning'\n";
        let findings = found(&["左腕", "rücken", "tail_01"], strict);
        assert_eq!(findings.len(), 1);
        assert!(findings[0].message.starts_with("2 names have"), "{}", findings[0].message);
    }
}
