//! Habits of a house that neither name nor place decides: asked once for a kind of joint, and applied to all of it.

use std::collections::BTreeMap;

use super::lexicon::Category;
use super::scene::Scene;
use super::solve::Problem;

/// What a question's answer adds to the scores of the edges it means: beyond what any evidence weighs.
const ANSWERED: f64 = 25.0;
/// Joints whose best parent is surer than this ask for nothing.
const SURE: f64 = 0.9;
/// An answer less likely than this is no option.
const LEAST: f64 = 0.05;

/// A choice that is open in the same way for several joints.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choice {
    /// The key of the plan's `conventions`.
    pub(super) id: String,
    /// The joints.
    pub(super) joints: Vec<usize>,
    /// The answers with their mean probability, likeliest first.
    pub(super) options: Vec<(String, f64)>,
    /// Expected wrong parents among the joints.
    pub(super) doubt: f64,
}

/// The kind of a joint, in words: `legs`, `ears`, or its own words.
pub(super) fn kind(scene: &Scene, j: usize) -> String {
    use Category as C;
    let group = match scene.category[j] {
        C::Hip | C::Thigh | C::Leg | C::Coxa | C::Femur => "legs",
        C::Clavicle | C::Shoulder | C::UpperArm | C::Arm => "arms",
        C::Foot | C::Ankle => "feet",
        C::Hand | C::Wrist => "hands",
        C::Thumb | C::Index | C::Middle | C::Ring | C::Little | C::Finger | C::Palm => "digits",
        C::Toe | C::Ball => "toes",
        C::Ear => "ears",
        C::Eye => "eyes",
        C::Wing => "wings",
        C::Fin => "fins",
        C::Tail => "tail",
        C::Head => "head",
        C::Jaw => "jaw",
        C::Neck => "neck",
        C::Spine | C::Chest | C::Pelvis => "spine",
        _ => "",
    };
    let reading = &scene.names.readings[j];
    let mut words = if group.is_empty() { words(scene, j) } else { group.to_owned() };
    if reading.control {
        words = format!("controls_{words}");
    }
    // The first of a row hangs from something else than the others do.
    let follows = scene.in_runs[j].iter().any(|(run, place)| scene.runs[*run].last && *place > 0);
    if follows { format!("further_{words}") } else { words }
}

/// A joint's own words, without side and number.
fn words(scene: &Scene, j: usize) -> String {
    let reading = &scene.names.readings[j];
    let list: Vec<&str> = reading
        .words
        .iter()
        .filter_map(|word| scene.names.texts.get(*word as usize).map(String::as_str))
        .collect();
    if list.is_empty() { "joints".to_owned() } else { list.join("_") }
}

/// What an edge answers: the parent's words, or its place in the joint's own row, or that there is none.
pub(super) fn answer(scene: &Scene, parent: Option<usize>, j: usize) -> String {
    let Some(p) = parent else { return "none".to_owned() };
    if let Some(step) = scene.step(p, j) {
        let word = words(scene, p);
        return match step.places {
            1 => format!("{word}_before"),
            -1 => format!("{word}_after"),
            _ => format!("{word}_elsewhere"),
        };
    }
    if scene.names.readings[p].words.is_empty() {
        return scene.items[p].name.clone().unwrap_or_else(|| "joints".to_owned());
    }
    words(scene, p)
}

/// Whether an answer that a person gave means this edge.
fn means(scene: &Scene, given: &str, parent: Option<usize>, j: usize) -> bool {
    if answer(scene, parent, j) == given {
        return true;
    }
    parent.is_some_and(|p| scene.items[p].name.as_deref() == Some(given))
}

/// The choices worth asking about, the most doubtful first.
pub(super) fn choices(scene: &Scene, problem: &Problem, probability: &[f64]) -> Vec<Choice> {
    let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for (j, (from, to)) in problem.of.iter().enumerate() {
        if to - from > 1 {
            groups.entry(kind(scene, j)).or_default().push(j);
        }
    }
    let mut out = Vec::new();
    for (kind, joints) in groups {
        let mut options: BTreeMap<String, f64> = BTreeMap::new();
        let mut doubt = 0.0;
        let mut unsure = false;
        for j in &joints {
            let (from, to) = problem.of[*j];
            let best = probability[from..to].iter().copied().fold(0.0, f64::max);
            doubt += 1.0 - best;
            unsure |= best < SURE;
            for (edge, p) in problem.edges[from..to].iter().zip(&probability[from..to]) {
                let parent = edge.from.checked_sub(1);
                *options.entry(answer(scene, parent, *j)).or_default() += p / joints.len() as f64;
            }
        }
        let mut options: Vec<(String, f64)> = options.into_iter().filter(|(_, p)| *p >= LEAST).collect();
        options.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        options.truncate(6);
        if unsure && options.len() > 1 {
            out.push(Choice { id: format!("{kind}_hang_from"), joints, options, doubt });
        }
    }
    out.sort_by(|a, b| b.doubt.total_cmp(&a.doubt).then(a.id.cmp(&b.id)));
    out
}

/// Raises the edges that the answers mean; returns the answers that meant none.
pub(super) fn apply(
    scene: &Scene,
    problem: &Problem,
    scores: &mut [f64],
    answers: &BTreeMap<String, String>,
) -> Vec<String> {
    let mut unused = Vec::new();
    for (id, given) in answers {
        let Some(wanted) = id.strip_suffix("_hang_from") else {
            unused.push(id.clone());
            continue;
        };
        let mut used = false;
        for (j, (from, to)) in problem.of.iter().enumerate() {
            if to - from < 2 || kind(scene, j) != wanted {
                continue;
            }
            for (edge, score) in problem.edges[*from..*to].iter().zip(&mut scores[*from..*to]) {
                if means(scene, given, edge.from.checked_sub(1), j) {
                    *score += ANSWERED;
                    used = true;
                }
            }
        }
        if !used {
            unused.push(id.clone());
        }
    }
    unused
}
