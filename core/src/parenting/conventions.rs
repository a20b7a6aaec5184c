//! Habits of a house that neither name nor place decides: asked once for a kind of joint, and applied to all of it.
//!
//! A kind is what names say (`legs`, `further_tail`, `finger_2`), so that its key means the same in every request. Of all
//! kinds the one is asked first whose answer is expected to put the most parents right.

use std::collections::{BTreeMap, BTreeSet};

use super::lexicon::Category;
use super::marginals::Roots;
use super::scene::Scene;
use super::second::{Relation, relation};
use super::solve::{Problem, probabilities};

/// How closely the names of a kind's joints agree: the closer, the more an answer about the kind says about each of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Closeness {
    /// Names that differ in the side only.
    Twins,
    /// The joints of one numbered row, but for the first.
    Run,
    /// Names that differ in one number as well.
    Row,
    /// The same words.
    Words,
    /// The same part of the body, or the same role.
    Broad,
}

impl Closeness {
    /// What an answer that is true of most joints of a kind adds to the scores of the edges it means (measured: the logarithm
    /// of the odds that a joint follows the answer which is true of most of its kind).
    fn strength(self) -> f64 {
        match self {
            Self::Twins => 8.0,
            Self::Run | Self::Row => 1.0,
            Self::Words | Self::Broad => 0.5,
        }
    }

    /// What an answer adds that is true of at least four in five of so many joints: of fewer than five, of all.
    fn firm(self, joints: usize) -> f64 {
        if self == Self::Twins || joints < 5 { 8.0 } else { 4.0 }
    }

    /// How often four in five of so many joints of which it is open hang alike (measured).
    fn alike(self, joints: usize) -> f64 {
        match (self, joints) {
            (Self::Twins, 2) => 0.96,
            (Self::Twins | Self::Run, _) => 0.7,
            (Self::Row | Self::Words | Self::Broad, 2) => 0.5,
            (Self::Words | Self::Broad, _) => 0.3,
            (Self::Row, _) => 0.1,
        }
    }
}

/// What an answer adds to pairs that stand to each other as those do, outside the kind.
const ALIKE: f64 = 0.5;
/// The most that an answer about the direction of a row takes from the edges that run the other way: as much as it adds to
/// those that it means.
const TURNED: f64 = 5.0;
/// From so many joints on, that nearly all hang alike takes that nearly all look alike now.
const MANY: usize = 9;
/// The part of its expected gain that an answer which is true of most brings (measured).
const OF_MOST: f64 = 0.6;

/// What an answer adds: one that names a joint says all that can be said; `firm` is of how many joints it is true.
fn strength(scene: &Scene, closeness: Closeness, answer: &str, firm: Option<usize>) -> f64 {
    let named = scene.items.iter().any(|item| item.name.as_deref() == Some(answer));
    match firm {
        _ if named => Closeness::Twins.strength(),
        Some(joints) => closeness.firm(joints),
        None => closeness.strength(),
    }
}

/// The other direction.
fn opposite(answer: &str) -> Option<String> {
    let turn = |from: &str, to: &str| answer.strip_suffix(from).map(|rest| format!("{rest}{to}"));
    turn("_before", "_after").or_else(|| turn("_after", "_before"))
}

/// What the answer to the question about the root takes from every other joint's being one.
const OTHER_ROOT: f64 = 3.0;
/// Before an answer that is true of most joints of its kind, but of fewer than four in five.
pub(super) const MOSTLY: &str = "mostly_";
/// The question that is about the whole.
pub(super) const ROOT: &str = "root";
/// Answers that are applied; of the rest, and of those about kinds that are not there, it is said that they mean nothing.
const MOST_ANSWERS: usize = 256;
/// An answer less likely than this is no option.
const LEAST: f64 = 0.015;
/// Options of a question.
const MOST: usize = 8;
/// Parents that an answer must be expected to put right, or it is not worth a question.
const WORTH: f64 = 0.1;

/// A choice that is open in the same way for several joints.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choice {
    /// The key of the plan's `conventions`.
    pub(super) id: String,
    /// The question in words.
    pub(super) text: String,
    /// The joints.
    pub(super) joints: Vec<usize>,
    /// The answers, likeliest first.
    pub(super) options: Vec<Choosable>,
    /// How many more parents are expected to be right once it is answered.
    pub(super) gain: f64,
}

/// An answer that can be given.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Choosable {
    /// What to give.
    pub(super) answer: String,
    /// Its mean probability over the joints.
    pub(super) probability: f64,
    /// Per joint of the choice: the parent it means (`Some(None)`: it is a root), where it means one.
    pub(super) parents: Vec<Option<Option<usize>>>,
}

/// The kinds a joint belongs to, each with how close it is.
pub(super) fn kinds(scene: &Scene, j: usize) -> BTreeMap<String, Closeness> {
    let reading = &scene.names.readings[j];
    let mut out = BTreeMap::new();
    if reading.pieces == 0 {
        return out;
    }
    let follows = follows(scene, j);
    let own = words(scene, j);
    let row = match reading.row {
        1 => "front_",
        2 => "hind_",
        _ => "",
    };
    let control = if reading.control { "controls_" } else { "" };
    let named = |numbers: &[String]| {
        let mut name = format!("{control}{row}{own}");
        for number in numbers {
            name += &format!("_{number}");
        }
        name
    };
    let mut add = |name: String, closeness: Closeness| {
        let slot = out.entry(name).or_insert(closeness);
        *slot = (*slot).min(closeness);
    };
    let numbers: Vec<String> = reading.numbers.iter().map(u32::to_string).collect();
    add(pair_name(scene, j), Closeness::Twins);
    if let (true, Some((_, before))) = (follows, numbers.split_last()) {
        add(format!("further_{}", named(before)), Closeness::Run);
    }
    if reading.words.is_empty() {
        // Numbers alone say little about what hangs alike.
        return out;
    }
    add(named(&numbers), Closeness::Row);
    // The first of a row hangs from something else than the others do.
    let further = |name: String| if follows { format!("further_{name}") } else { name };
    if let Some((_, before)) = numbers.split_last() {
        add(further(named(before)), Closeness::Row);
    }
    for place in 0..numbers.len().saturating_sub(1) {
        let mut others = numbers.clone();
        "any".clone_into(&mut others[place]);
        add(named(&others), Closeness::Row);
    }
    add(further(format!("{control}{own}")), Closeness::Words);
    if let Some(group) = group(scene.category[j])
        && begins(scene, j, group)
    {
        add(further(format!("{control}{group}")), Closeness::Broad);
    }
    if follows {
        add("further_joints".to_owned(), Closeness::Broad);
    }
    for (has, name) in [(reading.helper, "helpers"), (reading.end, "ends"), (reading.control, "controls")] {
        if has {
            add(name.to_owned(), Closeness::Broad);
        }
    }
    out
}

/// The name of a joint without its side; joints at mirrored places whose names say no side share the first one's.
fn pair_name(scene: &Scene, j: usize) -> String {
    let own = &scene.names.readings[j].plain;
    let twin = scene.layout.twin[j].filter(|twin| scene.layout.twin[*twin] == Some(j));
    match twin.map(|twin| (twin, &scene.names.readings[twin].plain)) {
        Some((twin, other))
            if scene.side[j].is_none() && scene.side[twin].is_none() && !other.is_empty() && other < own =>
        {
            other.clone()
        }
        _ => own.clone(),
    }
}

/// Which side of the body a joint is on: as its name says, else by its place.
fn flank(scene: &Scene, j: usize) -> i8 {
    let lateral = scene.layout.lateral(j);
    scene.side[j].unwrap_or(if lateral.abs() < 0.012 { 0 } else { lateral.signum() as i8 })
}

/// Kinds that hold joints of many names: their answers speak of the pair, not of the parent's own name.
fn is_broad(kind: &str) -> bool {
    matches!(kind, "further_joints" | "helpers" | "ends" | "controls")
}

/// Whether another joint comes before it in its row.
fn follows(scene: &Scene, j: usize) -> bool {
    scene.in_runs[j].iter().any(|(run, place)| scene.runs[*run].last && scene.runs[*run].order[*place] > 0)
}

/// Whether a joint is the first of its arm or leg: no other of the same limb is named for something nearer the body.
fn begins(scene: &Scene, j: usize, limb: &str) -> bool {
    let alike = |k: usize| {
        let row = |joint: usize| scene.names.readings[joint].row;
        scene.side[k] == scene.side[j] && row(k) == row(j)
    };
    !matches!(limb, "arms" | "legs")
        || !(0..scene.count()).any(|k| {
            let category = scene.category[k];
            category < scene.category[j] && group(category) == Some(limb) && alike(k)
        })
}

fn group(category: Category) -> Option<&'static str> {
    use Category as C;
    Some(match category {
        C::Hip | C::Thigh | C::Leg | C::Coxa | C::Femur => "legs",
        C::Clavicle | C::Shoulder | C::UpperArm | C::Arm => "arms",
        C::Knee | C::Shin | C::Tibia => "shins",
        C::Elbow | C::Forearm => "forearms",
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
        _ => return None,
    })
}

/// A joint's own words, without side and number.
pub(super) fn words(scene: &Scene, j: usize) -> String {
    let reading = &scene.names.readings[j];
    let list: Vec<&str> = reading
        .words
        .iter()
        .filter_map(|word| scene.names.texts.get(*word as usize).map(String::as_str))
        .collect();
    if list.is_empty() { "joints".to_owned() } else { list.join("_") }
}

/// What an edge answers for the joints of a kind.
pub(super) fn label(scene: &Scene, kind: &str, parent: Option<usize>, j: usize) -> String {
    let Some(p) = parent else { return "none".to_owned() };
    if pair_name(scene, j) == kind {
        let name = pair_name(scene, p);
        let across = flank(scene, p) * flank(scene, j) < 0;
        return if across { format!("{name}_across") } else { name };
    }
    let broad = is_broad(kind);
    let word = words(scene, p);
    if let Some(step) = scene.step(p, j) {
        let word = if broad { "the_one" } else { &word };
        match step.places {
            1 => return format!("{word}_before"),
            -1 => return format!("{word}_after"),
            _ => {}
        }
    }
    let (of_p, of_j) = (&scene.names.readings[p], &scene.names.readings[j]);
    if broad && scene.sides_fit(p, j) && !of_p.words.is_empty() {
        let inside = of_p.words.iter().all(|word| of_j.words.contains(word));
        if inside && (of_p.numbers == of_j.numbers || of_j.numbers.is_empty()) {
            return "its_namesake".to_owned();
        }
    }
    let mut out = word;
    if let Some(number) = of_p.numbers.first() {
        if of_j.numbers.contains(number) && of_p.stem != of_j.stem {
            out += "_of_its_number";
        } else {
            for number in &of_p.numbers {
                out += &format!("_{number}");
            }
        }
    }
    if matches!((scene.side[p], scene.side[j]), (Some(a), Some(b)) if a == -b && a != 0) {
        out += "_across";
    }
    if of_p.words.is_empty() && of_p.numbers.is_empty() {
        return scene.items[p].name.clone().unwrap_or(out);
    }
    out
}

/// Whether an answer that a person gave means this edge.
pub(super) fn means(scene: &Scene, kind: &str, given: &str, parent: Option<usize>, j: usize) -> bool {
    if label(scene, kind, parent, j) == given {
        return true;
    }
    parent.is_some_and(|p| {
        scene.items[p].name.as_deref() == Some(given)
            || (words(scene, p) == given && scene.sides_fit(p, j) && scene.step(p, j).is_none())
    })
}

/// The choices worth asking about, the most worthwhile first; no joint is asked about twice.
pub(super) fn choices(scene: &Scene, problem: &Problem, probability: &[f64]) -> Vec<Choice> {
    let of: Vec<BTreeMap<String, Closeness>> = (0..scene.count()).map(|j| kinds(scene, j)).collect();
    let mut groups: BTreeMap<&str, (Closeness, Vec<usize>)> = BTreeMap::new();
    for (j, (from, to)) in problem.of.iter().enumerate() {
        if to - from > 1 {
            for (kind, closeness) in &of[j] {
                let slot = groups.entry(kind).or_insert((*closeness, Vec::new()));
                slot.0 = slot.0.max(*closeness);
                slot.1.push(j);
            }
        }
    }
    // One joint is no kind.
    groups.retain(|_, (_, joints)| joints.len() > 1);
    let mut relations: BTreeMap<Relation, Vec<usize>> = BTreeMap::new();
    for (index, edge) in problem.edges.iter().enumerate() {
        if let Some(p) = edge.from.checked_sub(1) {
            relations.entry(relation(scene, p, edge.to - 1)).or_default().push(index);
        }
    }
    let view = View { scene, problem, probability, relations };
    let mut open: Vec<Choice> = groups
        .into_iter()
        .filter_map(|(kind, (closeness, joints))| view.choice(kind, closeness, joints))
        .filter(|choice| choice.gain >= WORTH)
        .collect();
    open.extend(view.root());
    open.sort_by(|a, b| b.gain.total_cmp(&a.gain).then(a.id.cmp(&b.id)));
    let mut taken = vec![false; scene.count()];
    open.retain(|choice| {
        let free = choice.joints.iter().all(|j| !taken[*j]);
        if free {
            for j in &choice.joints {
                taken[*j] = true;
            }
        }
        free
    });
    open
}

/// What questions are weighed on.
struct View<'a> {
    scene: &'a Scene,
    problem: &'a Problem,
    probability: &'a [f64],
    /// The edges of each relation.
    relations: BTreeMap<Relation, Vec<usize>>,
}

impl View<'_> {
    fn parent(&self, index: usize) -> Option<usize> {
        self.problem.edges[index].from.checked_sub(1)
    }

    fn range(&self, j: usize) -> std::ops::Range<usize> {
        self.problem.of[j].0..self.problem.of[j].1
    }

    /// Which joint all others hang from, where that is open: the whole is weighed anew under each answer.
    fn root(&self) -> Option<Choice> {
        let edges = &self.problem.edges;
        let mut list: Vec<(f64, usize)> = (0..edges.len())
            .filter(|index| {
                edges[*index].from == 0
                    && self.problem.of[edges[*index].to - 1].1 - self.problem.of[edges[*index].to - 1].0 > 1
            })
            .map(|index| (self.probability[index], edges[index].to - 1))
            .filter(|(p, _)| *p >= 0.04)
            .collect();
        list.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        list.truncate(4);
        if list.len() < 2 {
            return None;
        }
        let right = |probability: &[f64]| -> f64 {
            let best =
                |(from, to): &(usize, usize)| probability[*from..*to].iter().copied().fold(0.0, f64::max);
            self.problem.of.iter().map(best).sum()
        };
        let now = right(self.probability);
        let total: f64 = list.iter().map(|(p, _)| p).sum();
        let mut gain = 0.0;
        for (p, root) in &list {
            let mut scores: Vec<f64> = self.probability.iter().map(|p| p.max(1e-12).ln()).collect();
            raise_root(self.problem, &mut scores, *root);
            let after = probabilities(self.scene.count(), edges, &scores, Roots::Any);
            gain += p / total * (right(&after) - now);
        }
        let options = list.into_iter().map(|(p, root)| Choosable {
            answer: self.scene.items[root].name.clone().unwrap_or_default(),
            probability: p,
            parents: vec![None],
        });
        let options: Vec<Choosable> = options.filter(|option| !option.answer.is_empty()).collect();
        let joints = Vec::new();
        let text = "which joint do all others hang from?".to_owned();
        (options.len() > 1).then(|| Choice { id: ROOT.to_owned(), text, joints, options, gain })
    }

    /// The probability of a joint's best edge, were some of its edges worth more.
    fn best(&self, j: usize, changed: &[(usize, f64)]) -> f64 {
        let (mut best, mut sum) = (0.0_f64, 0.0);
        for index in self.range(j) {
            let change = changed.iter().find(|(other, _)| *other == index).map_or(0.0, |(_, change)| *change);
            let p = self.probability[index] * change.exp();
            best = best.max(p);
            sum += p;
        }
        if sum > 0.0 { best / sum } else { 0.0 }
    }

    fn choice(&self, kind: &str, closeness: Closeness, joints: Vec<usize>) -> Option<Choice> {
        let number = joints.len() as f64;
        // Per answer: per joint the edges that it means.
        let mut options: BTreeMap<String, Vec<Vec<usize>>> = BTreeMap::new();
        for (place, j) in joints.iter().enumerate() {
            for index in self.range(*j) {
                let edges = options
                    .entry(label(self.scene, kind, self.parent(index), *j))
                    .or_insert_with(|| vec![Vec::new(); joints.len()]);
                edges[place].push(index);
            }
        }
        let mut list: Vec<(f64, String, Vec<Vec<usize>>)> = options
            .into_iter()
            .map(|(answer, edges)| {
                let sum: f64 = edges.iter().flatten().map(|index| self.probability[*index]).sum();
                (sum / number, answer, edges)
            })
            .filter(|(share, answer, _)| *share >= LEAST || opposite(answer).is_some())
            .collect();
        list.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        list.truncate(MOST);
        if list.len() < 2 {
            return None;
        }
        let none = vec![Vec::new(); joints.len()];
        let against = |answer: &str| {
            let other = opposite(answer)?;
            list.iter().find(|(_, answer, _)| *answer == other).map(|(share, _, edges)| (share, edges))
        };
        let gain = list
            .iter()
            .map(|(share, answer, edges)| {
                let against = against(answer);
                let other = against.map_or(0.0, |(share, _)| *share);
                let edges_against = against.map_or(&none, |(_, edges)| edges);
                let mut alike = closeness.alike(joints.len());
                if joints.len() >= MANY {
                    alike *= (share + other).powi(2);
                }
                let gain = |firm: Option<usize>| {
                    let strength = strength(self.scene, closeness, answer, firm);
                    self.gain(&joints, edges, edges_against, strength)
                };
                let firm = alike * gain(Some(joints.len()));
                let mostly = (1.0 - alike) * OF_MOST * gain(None);
                share * (firm + mostly)
            })
            .sum();
        let options: Vec<Choosable> =
            list.into_iter()
                .map(|(share, answer, edges)| {
                    let best = |meant: &Vec<usize>| {
                        let top = meant.iter().copied().max_by(|a, b| {
                            self.probability[*a].total_cmp(&self.probability[*b]).then(b.cmp(a))
                        });
                        top.map(|index| self.parent(index))
                    };
                    let parents: Vec<Option<Option<usize>>> = edges.iter().map(best).collect();
                    Choosable { answer, probability: share, parents }
                })
                .collect();
        let text = text(kind, &options);
        Some(Choice { id: format!("{kind}_hang_from"), text, joints, options, gain })
    }

    /// How many more parents are expected to be right after an answer, were each joint to follow it as far as its own
    /// evidence lets it.
    fn gain(&self, joints: &[usize], edges: &[Vec<usize>], against: &[Vec<usize>], strength: f64) -> f64 {
        let mut out = 0.0;
        let mut alike: BTreeMap<usize, Vec<(usize, f64)>> = BTreeMap::new();
        for ((j, meant), against) in joints.iter().zip(edges).zip(against) {
            let mut changed: Vec<(usize, f64)> = meant.iter().map(|index| (*index, strength)).collect();
            changed.extend(against.iter().map(|index| (*index, -strength.min(TURNED))));
            out += self.best(*j, &changed) - self.best(*j, &[]);
            for index in meant {
                let Some(p) = self.parent(*index) else { continue };
                for other in self.relations.get(&relation(self.scene, p, *j)).into_iter().flatten() {
                    let child = self.problem.edges[*other].to - 1;
                    let list = alike.entry(child).or_default();
                    if !list.iter().any(|(index, _)| index == other) {
                        list.push((*other, ALIKE));
                    }
                }
            }
        }
        for (j, changed) in alike {
            if !joints.contains(&j) {
                out += self.best(j, &changed) - self.best(j, &[]);
            }
        }
        out
    }
}

/// The question in words.
fn text(kind: &str, options: &[Choosable]) -> String {
    let what = match kind {
        "further_joints" => "the further joints of numbered rows".to_owned(),
        "helpers" => "the helpers".to_owned(),
        "ends" => "the ends".to_owned(),
        "controls" => "the controls".to_owned(),
        other => {
            let plain = other.replace('_', " ");
            match plain.strip_prefix("further ") {
                Some(rest) => format!("the further joints of {rest}"),
                None => format!("the joints of {plain}"),
            }
        }
    };
    let has = |ending: &str| options.iter().take(3).any(|option| option.answer.ends_with(ending));
    match (has("_before"), has("_after")) {
        (true, true) => {
            format!("which way do {what} run: does each hang from the one before it or after it?")
        }
        (true, false) | (false, true) => {
            format!("do {what} hang one from the next, or side by side from something else?")
        }
        (false, false) => format!("what do {what} hang from?"),
    }
}

/// The scores, where a joint is known to be the one that all others hang from.
fn raise_root(problem: &Problem, scores: &mut [f64], root: usize) {
    for (edge, score) in problem.edges.iter().zip(scores) {
        if edge.from == 0 {
            *score += if edge.to - 1 == root { Closeness::Twins.strength() } else { -OTHER_ROOT };
        }
    }
}

/// Raises the edges that the answers mean; returns the answers that meant none.
pub(super) fn apply(
    scene: &Scene,
    problem: &Problem,
    scores: &mut [f64],
    answers: &BTreeMap<String, String>,
) -> Vec<String> {
    if answers.is_empty() {
        return Vec::new();
    }
    let of: Vec<BTreeMap<String, Closeness>> = (0..scene.count()).map(|j| kinds(scene, j)).collect();
    let mut unused = Vec::new();
    let there: BTreeSet<&str> = of.iter().flat_map(BTreeMap::keys).map(String::as_str).collect();
    let mut applied = 0;
    for (id, given) in answers {
        if id == ROOT {
            match scene.items.iter().position(|item| item.name.as_ref() == Some(given)) {
                Some(root) => raise_root(problem, scores, root),
                None => unused.push(id.clone()),
            }
            continue;
        }
        let kind = id.strip_suffix("_hang_from").filter(|kind| there.contains(kind));
        let Some(kind) = kind.filter(|_| applied < MOST_ANSWERS) else {
            unused.push(id.clone());
            continue;
        };
        applied += 1;
        let mut used = false;
        let mut alike: BTreeSet<Relation> = BTreeSet::new();
        let closeness = of.iter().filter_map(|kinds| kinds.get(kind)).max();
        let open =
            of.iter().zip(&problem.of).filter(|(of, (from, to))| to - from > 1 && of.contains_key(kind));
        let joints = open.count();
        let (given, firm) = match given.strip_prefix(MOSTLY) {
            Some(rest) => (rest, None),
            None => (given.as_str(), Some(joints)),
        };
        let strength = closeness.map(|closeness| strength(scene, *closeness, given, firm));
        for (index, edge) in problem.edges.iter().enumerate() {
            let (parent, j) = (edge.from.checked_sub(1), edge.to - 1);
            let (from, to) = problem.of[j];
            let Some(strength) = strength.filter(|_| to - from > 1 && of[j].contains_key(kind)) else {
                continue;
            };
            if opposite(given).is_some_and(|other| label(scene, kind, parent, j) == other) {
                scores[index] -= strength.min(TURNED);
            }
            if means(scene, kind, given, parent, j) {
                scores[index] += strength;
                used = true;
                if let Some(p) = parent {
                    alike.insert(relation(scene, p, j));
                }
            }
        }
        for (index, edge) in problem.edges.iter().enumerate() {
            let j = edge.to - 1;
            if let Some(p) = edge.from.checked_sub(1)
                && !of[j].contains_key(kind)
                && alike.contains(&relation(scene, p, j))
            {
                scores[index] += ALIKE;
            }
        }
        if !used {
            unused.push(id.clone());
        }
    }
    unused
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use glam::DVec3;

    use super::super::skeleton::Item;
    use super::super::solve::{RootRule, problem};
    use super::*;

    /// A hip, a row of six ribs above it, and what keeps their numbers from looking like an exporter's.
    fn row() -> Scene {
        let mut items = vec![Item::new(Some("hips"), DVec3::ZERO)];
        for number in 1..=6 {
            let at = DVec3::Y * 0.1 * f64::from(number);
            items.push(Item::new(Some(&format!("rib_{number}")), at));
        }
        items.extend(["chest", "neck", "head"].map(|name| Item::new(Some(name), DVec3::Y)));
        Scene::new(items)
    }

    #[test]
    fn an_answer_that_is_true_of_nearly_all_weighs_more_than_one_that_is_true_of_most() {
        let scene = row();
        let problem = problem(&scene, &RootRule::One, |_| None);
        let of =
            |p: usize, j: usize| problem.edges.iter().position(|e| (e.from, e.to) == (p + 1, j + 1)).unwrap();
        let given = |answer: &str| {
            let mut scores = vec![0.0; problem.edges.len()];
            let answers = BTreeMap::from([("further_rib_hang_from".to_owned(), answer.to_owned())]);
            assert!(apply(&scene, &problem, &mut scores, &answers).is_empty(), "{answer}");
            // From the one before, from the one after, from elsewhere.
            [of(2, 3), of(4, 3), of(0, 3)].map(|edge| scores[edge])
        };
        let all = given("rib_before");
        let most = given("mostly_rib_before");
        assert!(all[0] > most[0] && most[0] > 0.0, "{all:?} {most:?}");
        assert!(all[1] < most[1] && most[1] < 0.0, "{all:?} {most:?}");
        assert_eq!((all[2], most[2]), (0.0, 0.0));
        // However many answers come, those about nothing that is there cost nothing and are told.
        let many = (0..50_000).map(|n| (format!("gill_{n}_hang_from"), "hips".to_owned()));
        let answers: BTreeMap<String, String> = many.collect();
        let mut scores = vec![0.0; problem.edges.len()];
        assert_eq!(apply(&scene, &problem, &mut scores, &answers).len(), 50_000);
        assert!(scores.iter().all(|score| *score == 0.0));
        // A joint's own name says all that can be said, of however many it is true.
        let named = |answer: &str| strength(&scene, Closeness::Run, answer, Some(5));
        assert!(named("hips") > named("rib_before"));
    }
}
