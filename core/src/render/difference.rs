//! A difference as plain text: what got worse first.

use std::fmt::Write as _;

use super::{plural, plural_of, printable};
use crate::difference::{
    Cause, Changed, ClipPlay, Difference, JointWeight, Playable, SkeletonChanges, SkinChanges, WeightChange,
};

/// Lines of one list that are printed; the rest is told as a number.
const MOST: usize = 40;

/// The difference for people.
pub fn difference(difference: &Difference) -> String {
    let mut out = String::new();
    let (from, to) = (&difference.from, &difference.to);
    let _ = writeln!(
        out,
        "{} {} → {} {}",
        printable(&from.name),
        from.verdict.word(),
        printable(&to.name),
        to.verdict.word()
    );
    let findings = &difference.findings;
    let _ = writeln!(
        out,
        "     {} new · {} fixed · {} unchanged",
        findings.new.len(),
        findings.fixed.len(),
        findings.unchanged.len()
    );
    if difference.same_input {
        out.push_str("     the same input\n");
    }
    write_rules(&mut out, difference);
    write_list(&mut out, "new", &findings.new);
    write_list(&mut out, "fixed", &findings.fixed);
    let restated: Vec<String> = findings
        .unchanged
        .iter()
        .filter_map(|one| {
            let severity = one.severity_before.map(|was| format!("was {}", was.word()));
            let waiver = one
                .waived_before
                .map(|was| if was { "was waived".to_owned() } else { "is waived now".to_owned() });
            let change: Vec<String> = severity.into_iter().chain(waiver).collect();
            (!change.is_empty()).then(|| {
                format!(
                    "  judged otherwise {} {}  {} ({})",
                    one.finding.severity.word(),
                    printable(&one.finding.message),
                    one.finding.check,
                    change.join(", ")
                )
            })
        })
        .collect();
    write_lines(&mut out, &restated);
    match &difference.skeleton {
        Some(skeleton) => write_skeleton(&mut out, skeleton),
        None => out.push_str("\n  the skeletons are not compared: there are reports only\n"),
    }
    if let Some(skins) = &difference.skins {
        write_skins(&mut out, skins);
    }
    write_weights(&mut out, &difference.weights);
    write_clips(&mut out, &difference.clips);
    out
}

fn write_rules(out: &mut String, difference: &Difference) {
    let (from, to, rules) = (&difference.from, &difference.to, difference.rules);
    let mut told = Vec::new();
    if rules.profile {
        if from.profile == to.profile {
            told.push(format!("the content of the profile {}", to.profile));
        } else {
            told.push(format!("profile {} → {}", from.profile, to.profile));
        }
    }
    if rules.catalogue {
        told.push(format!("catalogue {} → {}", from.catalogue, to.catalogue));
    }
    if rules.as_of {
        told.push(format!("date {} → {}", from.as_of, to.as_of));
    }
    if rules.selection {
        told.push("other checks were asked for".to_owned());
    }
    if !told.is_empty() {
        let _ = writeln!(out, "     judged by other rules: {}", told.join(", "));
    }
}

fn write_list(out: &mut String, word: &str, list: &[Changed]) {
    let lines: Vec<String> = list
        .iter()
        .map(|one| {
            let cause = match one.cause {
                Cause::Asset => String::new(),
                cause => format!(" ({})", cause.words()),
            };
            let waived = if one.finding.waived { ", waived" } else { "" };
            format!(
                "  {word:5} {}{waived} {}  {}{cause}",
                one.finding.severity.word(),
                printable(&one.finding.message),
                one.finding.check
            )
        })
        .collect();
    write_lines(out, &lines);
}

fn write_lines(out: &mut String, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    out.push('\n');
    for line in lines.iter().take(MOST) {
        let _ = writeln!(out, "{line}");
    }
    if lines.len() > MOST {
        let _ = writeln!(out, "  … and {} more", lines.len() - MOST);
    }
}

fn write_skeleton(out: &mut String, skeleton: &SkeletonChanges) {
    let mut lines = Vec::new();
    for name in &skeleton.added {
        lines.push(format!("  joint added      {}", printable(name)));
    }
    for name in &skeleton.removed {
        lines.push(format!("  joint removed    {}", printable(name)));
    }
    for one in &skeleton.renamed {
        lines.push(format!("  joint renamed    {} → {}", printable(&one.before), printable(&one.now)));
    }
    for one in &skeleton.reparented {
        let word = |name: &Option<String>| name.as_deref().map_or("nothing".to_owned(), printable);
        lines.push(format!(
            "  joint reparented {}: from {} to {}",
            printable(&one.joint),
            word(&one.before),
            word(&one.now)
        ));
    }
    let carried = |own: f64| own <= skeleton.tolerance_mm;
    for one in skeleton.moved.iter().filter(|one| !carried(one.own_mm)) {
        lines.push(format!(
            "  joint moved      {} by {:.2} mm ({:.2} % of S), {:.2} mm against its parent",
            printable(&one.joint),
            one.distance_mm,
            one.share * 100.0,
            one.own_mm
        ));
    }
    for one in &skeleton.turned {
        let by = one.degrees.map_or("to its mirror image".to_owned(), |degrees| format!("by {degrees:.2}°"));
        lines.push(format!("  joint turned     {} {by}", printable(&one.joint)));
    }
    write_lines(out, &lines);
    let along = skeleton.moved.iter().filter(|one| carried(one.own_mm)).count();
    if along > 0 {
        let _ = writeln!(out, "  {} carried along by what is above", plural(along as u64, "joint"));
    }
    let _ = writeln!(
        out,
        "\n  {} unchanged; S {:.1} mm → {:.1} mm",
        plural_of(skeleton.same, "joint", "joints"),
        skeleton.size_before_mm,
        skeleton.size_now_mm
    );
}

/// A few of many names.
fn told(names: &[String]) -> String {
    let shown: Vec<String> = names.iter().take(3).map(|name| printable(name)).collect();
    let rest = names.len().saturating_sub(3);
    if rest > 0 { format!("{} and {rest} more", shown.join(", ")) } else { shown.join(", ") }
}

fn write_skins(out: &mut String, skins: &SkinChanges) {
    let mut lines = Vec::new();
    for name in &skins.added {
        lines.push(format!("  skin added       {}", printable(name)));
    }
    for name in &skins.removed {
        lines.push(format!("  skin removed     {}", printable(name)));
    }
    for one in &skins.changed {
        let mut what = Vec::new();
        for (word, names) in [("holds", &one.joints_added), ("no longer holds", &one.joints_removed)] {
            if !names.is_empty() {
                what.push(format!("{word} {}", told(names)));
            }
        }
        if one.rebound_joints > 0 {
            let count = plural(one.rebound_joints, "joint");
            what.push(format!("binds {count} otherwise ({})", told(&one.rebound)));
        }
        lines.push(format!("  skin changed     {}: {}", printable(&one.skin), what.join("; ")));
    }
    write_lines(out, &lines);
}

fn write_weights(out: &mut String, weights: &[WeightChange]) {
    let lines: Vec<String> = weights
        .iter()
        .map(|one| {
            let what = match (one.changed, one.largest) {
                (Some(changed), Some(largest)) => {
                    format!("{changed} of {} vertices, by up to {largest:.3}", one.vertices_now)
                }
                _ => format!("{} → {} vertices", one.vertices_before, one.vertices_now),
            };
            let share = |joint: &JointWeight| {
                format!(
                    "{} {:.1} % → {:.1} %",
                    printable(&joint.joint),
                    joint.before * 100.0,
                    joint.now * 100.0
                )
            };
            let joints: Vec<String> = one.joints.iter().take(3).map(share).collect();
            let joints = if joints.is_empty() { String::new() } else { format!(" ({})", joints.join(", ")) };
            format!("  weights changed  {}: {what}{joints}", printable(&one.mesh))
        })
        .collect();
    write_lines(out, &lines);
}

fn write_clips(out: &mut String, clips: &[ClipPlay]) {
    let lines: Vec<String> = clips
        .iter()
        .map(|one| {
            let word = match one.plays {
                Playable::Same => "plays as before".to_owned(),
                Playable::Otherwise => format!("plays, but {} changed", told(&one.changed)),
                Playable::Partly => {
                    let channels: Vec<String> =
                        one.lost.iter().map(|lost| format!("{}/{}", lost.target, lost.path)).collect();
                    format!(
                        "plays in part: {} of {} channels do not ({})",
                        one.lost_channels,
                        one.channels,
                        told(&channels)
                    )
                }
                Playable::No => "does not play: nothing that it drives is there".to_owned(),
            };
            format!("  clip {} {word}", printable(&one.clip))
        })
        .collect();
    write_lines(out, &lines);
}
