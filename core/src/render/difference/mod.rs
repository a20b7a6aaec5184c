//! A difference for people: the same words in every form, what got worse first.

mod html;
mod markdown;
mod text;

pub use html::html;
pub use markdown::markdown;
pub use text::text;

use super::{plural, printable};
use crate::difference::{
    Brief, Cause, Changed, ClipPlay, Difference, JointWeight, Kept, Playable, SkeletonChanges, SkinChanges,
    WeightChange,
};

/// One thing that changed, apart from findings.
struct Line {
    /// What happened, in two words.
    what: &'static str,
    /// To what, and how much; it holds names from uploads, made harmless by [`printable`] alone.
    told: String,
}

/// Changes of one kind.
struct Chapter {
    title: &'static str,
    lines: Vec<Line>,
    /// What is told as a number.
    sums: Vec<String>,
}

fn line(what: &'static str, told: impl Into<String>) -> Line {
    Line { what, told: told.into() }
}

/// What is to be known before anything else.
fn remarks(difference: &Difference) -> Vec<String> {
    let (from, to, rules) = (&difference.from, &difference.to, difference.rules);
    let mut judged = Vec::new();
    if rules.profile {
        if from.profile == to.profile {
            judged.push(format!("the content of the profile {}", to.profile));
        } else {
            judged.push(format!("profile {} → {}", from.profile, to.profile));
        }
    }
    if rules.catalogue {
        judged.push(format!("catalogue {} → {}", from.catalogue, to.catalogue));
    }
    if rules.as_of {
        judged.push(format!("date {} → {}", from.as_of, to.as_of));
    }
    if rules.selection {
        judged.push("other checks were asked for".to_owned());
    }
    let mut out = Vec::new();
    if difference.same_input {
        out.push("the same input".to_owned());
    }
    if !judged.is_empty() {
        out.push(format!("judged by other rules: {}", judged.join(", ")));
    }
    out
}

/// Why a finding is on one side only, where that is not that the asset changed.
fn cause(one: &Changed) -> Option<&'static str> {
    (one.cause != Cause::Asset).then(|| one.cause.words())
}

/// Findings on both sides that are judged otherwise now, and how they were before.
fn restated(difference: &Difference) -> Vec<(&Brief, String)> {
    let told = |one: &Kept| {
        let severity = one.severity_before.map(|was| format!("was {}", was.word()));
        let waiver = one
            .waived_before
            .map(|was| if was { "was waived".to_owned() } else { "is waived now".to_owned() });
        severity.into_iter().chain(waiver).collect::<Vec<String>>().join(", ")
    };
    let all = difference.findings.unchanged.iter().map(|one| (&one.finding, told(one)));
    all.filter(|(_, told)| !told.is_empty()).collect()
}

/// Everything but the findings.
fn chapters(difference: &Difference) -> Vec<Chapter> {
    let mut skins = difference.skins.as_ref().map(skin_lines).unwrap_or_default();
    skins.extend(difference.weights.iter().map(weight_line));
    let skeleton = match &difference.skeleton {
        Some(skeleton) => skeleton_chapter(skeleton),
        None => Chapter {
            title: "Skeleton",
            lines: Vec::new(),
            sums: vec!["the skeletons are not compared: there are reports only".to_owned()],
        },
    };
    let clips = difference.clips.iter().map(clip_line).collect();
    let rest = [
        Chapter { title: "Skins and weights", lines: skins, sums: Vec::new() },
        Chapter { title: "Clips of before on the skeleton of now", lines: clips, sums: Vec::new() },
    ];
    std::iter::once(skeleton).chain(rest.into_iter().filter(|one| !one.lines.is_empty())).collect()
}

fn skeleton_chapter(skeleton: &SkeletonChanges) -> Chapter {
    let mut lines = Vec::new();
    lines.extend(skeleton.added.iter().map(|name| line("joint added", printable(name))));
    lines.extend(skeleton.removed.iter().map(|name| line("joint removed", printable(name))));
    for one in &skeleton.renamed {
        lines.push(line("joint renamed", format!("{} → {}", printable(&one.before), printable(&one.now))));
    }
    for one in &skeleton.reparented {
        let word = |name: &Option<String>| name.as_deref().map_or("nothing".to_owned(), printable);
        let told = format!("{}: from {} to {}", printable(&one.joint), word(&one.before), word(&one.now));
        lines.push(line("joint reparented", told));
    }
    let carried = |own: f64| own <= skeleton.tolerance_mm;
    for one in skeleton.moved.iter().filter(|one| !carried(one.own_mm)) {
        let told = format!(
            "{} by {:.2} mm ({:.2} % of S), {:.2} mm against its parent",
            printable(&one.joint),
            one.distance_mm,
            one.share * 100.0,
            one.own_mm
        );
        lines.push(line("joint moved", told));
    }
    for one in &skeleton.turned {
        let by = one.degrees.map_or("to its mirror image".to_owned(), |degrees| format!("by {degrees:.2}°"));
        lines.push(line("joint turned", format!("{} {by}", printable(&one.joint))));
    }
    let mut sums = Vec::new();
    let along = skeleton.moved.iter().filter(|one| carried(one.own_mm)).count();
    if along > 0 {
        sums.push(format!("{} carried along by what is above", plural(along as u64, "joint")));
    }
    sums.push(format!(
        "{} unchanged; S {:.1} mm → {:.1} mm",
        plural(skeleton.same, "joint"),
        skeleton.size_before_mm,
        skeleton.size_now_mm
    ));
    Chapter { title: "Skeleton", lines, sums }
}

/// A few of many names, of which the list may have lost its end: `count` says how many there are. Answers from before it
/// was told have none.
fn few(names: &[String], count: u64) -> String {
    let shown: Vec<String> = names.iter().take(3).map(|name| printable(name)).collect();
    let rest = count.max(names.len() as u64).saturating_sub(shown.len() as u64);
    if rest > 0 { format!("{} and {rest} more", shown.join(", ")) } else { shown.join(", ") }
}

fn skin_lines(skins: &SkinChanges) -> Vec<Line> {
    let mut lines = Vec::new();
    lines.extend(skins.added.iter().map(|name| line("skin added", printable(name))));
    lines.extend(skins.removed.iter().map(|name| line("skin removed", printable(name))));
    for one in &skins.changed {
        let mut what = Vec::new();
        for (word, names, count) in [
            ("holds", &one.joints_added, one.added_joints),
            ("no longer holds", &one.joints_removed, one.removed_joints),
        ] {
            if !names.is_empty() {
                what.push(format!("{word} {}", few(names, count)));
            }
        }
        if one.rebound_joints > 0 {
            let count = plural(one.rebound_joints, "joint");
            what.push(format!("binds {count} otherwise ({})", few(&one.rebound, one.rebound_joints)));
        }
        lines.push(line("skin changed", format!("{}: {}", printable(&one.skin), what.join("; "))));
    }
    lines
}

fn weight_line(one: &WeightChange) -> Line {
    let what = match (one.changed, one.largest) {
        (Some(changed), Some(largest)) => {
            format!("{changed} of {} vertices, by up to {largest:.3}", one.vertices_now)
        }
        _ if one.vertices_before == one.vertices_now => {
            format!("{} vertices, not the same points in the same order", one.vertices_now)
        }
        _ => format!("{} → {} vertices", one.vertices_before, one.vertices_now),
    };
    let share = |joint: &JointWeight| {
        format!("{} {:.1} % → {:.1} %", printable(&joint.joint), joint.before * 100.0, joint.now * 100.0)
    };
    let joints: Vec<String> = one.joints.iter().take(3).map(share).collect();
    let joints = if joints.is_empty() { String::new() } else { format!(" ({})", joints.join(", ")) };
    line("weights changed", format!("{}: {what}{joints}", printable(&one.mesh)))
}

fn clip_line(one: &ClipPlay) -> Line {
    let (what, how) = match one.plays {
        Playable::Same => ("clip plays", "as before".to_owned()),
        Playable::Otherwise => {
            ("clip plays", format!("but {} changed", few(&one.changed, one.changed_joints)))
        }
        Playable::Partly => {
            let channels: Vec<String> =
                one.lost.iter().map(|lost| format!("{}/{}", lost.target, lost.path)).collect();
            let named = few(&channels, one.lost_channels);
            let told = format!("{} of {} channels do not ({named})", one.lost_channels, one.channels);
            ("clip plays partly", told)
        }
        Playable::No => ("clip does not play", "nothing that it drives is there, or fits".to_owned()),
    };
    line(what, format!("{}: {how}", printable(&one.clip)))
}
