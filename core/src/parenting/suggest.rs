//! Suggestions for a rig: what is asked, what is answered, and the wire form `condyle.parents/1`.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::conventions::{self, apply, choices};
use super::model::{Expert, Model};
use super::reasons::{Rows, reasons};
use super::scene::Scene;
use super::skeleton::{Decided, Item, canonical};
use super::solve::{self, Answer, Looked, Problem, RootRule};
use super::way;
use crate::body::Body;
use crate::facts::Facts;
use crate::finding::{Applicability, Fix, PatchOp, round};
use crate::intake::{Fault, FaultKind, Place};
use crate::model::{JointId, Parent, Rig, Role, Source};

/// Open joints beyond this are refused: the work grows with their cube.
pub const MOST_OPEN: usize = 1_200;
/// Below this probability a decided parent is challenged, if another is surer than [`SURE_OTHER`].
pub const DOUBTFUL: f64 = 0.05;
/// See [`DOUBTFUL`].
pub const SURE_OTHER: f64 = 0.80;
/// Questions in an answer.
const MOST_QUESTIONS: usize = 3;

/// What is asked.
#[derive(Debug, Clone, Default)]
pub struct Ask {
    /// Forget the parents that are there and suggest all of them.
    pub strip: bool,
    /// Answers to questions, by their id; they go before those that are known of the asset ([`Facts::answers`]).
    pub answers: BTreeMap<String, String>,
    /// Only suggestions at least this probable go into the patch.
    pub least: f64,
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Refusal {
    /// Too many joints without a parent.
    TooMany {
        /// The most.
        max: usize,
        /// How many there are.
        got: usize,
    },
    /// The decided parents form a loop.
    Loop {
        /// The joints of the loop.
        names: Vec<String>,
        /// JSON Pointer to the first.
        pointer: String,
    },
    /// A joint is nowhere.
    NotFinite {
        /// Its name.
        name: String,
        /// JSON Pointer to it.
        pointer: String,
    },
}

impl Refusal {
    /// The fault that tells a caller.
    pub fn fault(self, file: &str) -> Fault {
        let (kind, place, message) = match self {
            Self::TooMany { max, got } => (
                FaultKind::Limit { limit: "open_joints", max: max as u64, got: got as u64 },
                Place::Whole,
                format!("{got} joints have no parent, which is more than the limit of {max}"),
            ),
            Self::Loop { names, pointer } => {
                let shown = names.iter().take(8).cloned().collect::<Vec<_>>().join(", ");
                let text =
                    format!("the decided parents form a loop through {} joints ({shown})", names.len());
                (FaultKind::Invalid, Place::Pointer(pointer), text)
            }
            Self::NotFinite { name, pointer } => {
                (FaultKind::Invalid, Place::Pointer(pointer), format!("the origin of {name} is not finite"))
            }
        };
        Fault { kind, file: file.to_owned(), place, message, rule: None }
    }
}

/// What a suggestion says about the parent that is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub enum Status {
    /// There is none; this one is suggested.
    Proposed,
    /// There is one, and nothing speaks clearly against it.
    Confirmed,
    /// There is one with a probability under 5 %, and another has more than 80 %.
    Challenged,
}

/// The suggestions for one rig (`condyle.parents/1`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Parents {
    /// `condyle.parents/1`.
    pub parents: String,
    /// Which model answered: the SHA-256 over what it was fitted on, lower-case hex.
    pub model: String,
    /// One for each joint, in document order.
    pub suggestions: Vec<Suggestion>,
    /// Choices that neither names nor places decide, the most doubtful first.
    pub questions: Vec<Question>,
    /// RFC 6902: sets the proposed parents in the plan; empty for glTF.
    pub patch: Vec<PatchOp>,
    /// The same for a glTF, as a named repair: sets the proposed and the challenged parents that are another than now.
    /// Empty for plans.
    #[serde(default)]
    pub repairs: Vec<Fix>,
    /// The sum of the probabilities of the proposed parents.
    pub expected_correct: f64,
    /// How many parents are proposed.
    pub proposed: u64,
    /// Answers that meant no joint or no possible parent.
    pub unused_answers: Vec<String>,
}

/// A joint's parent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Suggestion {
    /// The joint's name.
    pub joint: String,
    /// JSON Pointer to it.
    pub pointer: String,
    /// The parent's name; `null` is a root.
    pub parent: Option<String>,
    /// The probability of that parent, over all trees.
    pub probability: f64,
    /// The next best.
    pub runner_up: Option<RunnerUp>,
    /// Why, in plain words with numbers.
    pub reasons: Vec<String>,
    /// What it says about the parent that is there.
    pub status: Status,
    /// The parent that is there, where it is challenged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub present: Option<RunnerUp>,
}

/// Another parent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct RunnerUp {
    /// Its name; `null` is a root.
    pub parent: Option<String>,
    /// Its probability.
    pub probability: f64,
}

/// A choice for a kind of joint.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct Question {
    /// The key of the plan's `conventions`.
    pub id: String,
    /// The question in words.
    pub text: String,
    /// The joints it decides.
    pub joints: Vec<String>,
    /// The answers.
    pub options: Vec<AnswerOption>,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
pub struct AnswerOption {
    /// What to give as the value of the question's id, where it is true of at least four in five of the joints; where it is true
    /// of fewer but of most, with `mostly_` before it. A name of a joint, or the words of one, may be given instead.
    pub answer: String,
    /// Its mean probability over the joints.
    pub probability: f64,
    /// The parent it means for each of the question's joints that has such a one; `null` is a root.
    #[serde(default)]
    pub parents: BTreeMap<String, Option<String>>,
}

/// A parent for a joint whose parent is undecided, for checks and their fixes.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposal {
    /// The joint.
    pub joint: JointId,
    /// Its parent; `None` is a root.
    pub parent: Option<JointId>,
    /// The probability.
    pub probability: f64,
    /// The next best, with its probability.
    pub runner_up: Option<(Option<JointId>, f64)>,
    /// Why.
    pub reasons: Vec<String>,
}

/// A decided parent that the suggester doubts.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubt {
    /// The joint.
    pub joint: JointId,
    /// Its present parent's probability, given all other parents.
    pub present: f64,
    /// The better one; `None` is a root.
    pub parent: Option<JointId>,
    /// Its probability.
    pub probability: f64,
    /// Why.
    pub reasons: Vec<String>,
}

/// A rig as the suggester sees it, in an order of its own.
struct Case<'f> {
    scene: Scene,
    /// The body, where there is one.
    body: Option<Body<'f>>,
    /// Per place in the scene: the joint.
    joint: Vec<JointId>,
    /// What each item's parent was before anything was opened.
    before: Vec<Decided>,
    /// Inner joints of parts, whose parent the part's order says.
    by_part: Vec<bool>,
    expert: &'static Expert,
}

/// Suggests the parents of a rig's joints.
///
/// # Errors
/// Where the joints cannot be judged: too many are open, one is nowhere, or the decided parents form a loop.
pub fn suggest(facts: &Facts<'_>, ask: &Ask) -> Result<Parents, Refusal> {
    let rig = facts.rig();
    if let Some(joint) = (0..rig.joints.len()).find(|j| !facts.origin(JointId::new(*j)).is_finite()) {
        let joint = JointId::new(joint);
        return Err(Refusal::NotFinite { name: label(rig, joint), pointer: pointer(rig, joint) });
    }
    if !ask.strip
        && let Some(ring) = facts.tree().loops.first()
    {
        let names = ring.iter().map(|joint| label(rig, *joint)).collect();
        return Err(Refusal::Loop { names, pointer: pointer(rig, ring[0]) });
    }
    let rule = rule(rig, ask.strip);
    let Some(case) = Case::new(facts, ask.strip, &rule) else {
        return Ok(Parents::empty());
    };
    let open = case.scene.items.iter().filter(|item| item.decided == Decided::Open).count();
    if open > MOST_OPEN {
        return Err(Refusal::TooMany { max: MOST_OPEN, got: open });
    }
    let mut answers = facts.answers().clone();
    answers.extend(ask.answers.clone());
    let mut solved = case.solve(&rule, &answers);
    // What is agreed for every asset need not mean anything in this one.
    solved.unused.retain(|id| ask.answers.contains_key(id));
    let challenges = if ask.strip { Vec::new() } else { case.doubts(&answers) };
    Ok(case.report(rig, &solved, &challenges, ask))
}

/// The suggested parents of the undecided joints, for checks: loops are opened first, nothing is refused but size.
pub fn proposals(facts: &Facts<'_>) -> Vec<Proposal> {
    let rule = rule(facts.rig(), false);
    let Some(case) = Case::new(facts, false, &rule) else { return Vec::new() };
    let mut out = case.proposals(&rule, facts.answers());
    for proposal in &mut out {
        let Some((twin, above, parent)) = by_twin(facts, proposal.joint) else { continue };
        if proposal.parent != Some(parent) {
            proposal.runner_up = Some((proposal.parent, 1.0 - TWIN));
            proposal.parent = Some(parent);
        }
        proposal.probability = proposal.probability.max(TWIN);
        let rig = facts.rig();
        proposal.reasons = vec![format!("its twin {} hangs from {}", label(rig, twin), label(rig, above))];
    }
    out
}

/// How sure a decided twin makes of a parent: common practice, no measured value.
const TWIN: f64 = 0.97;

/// The mirror image of the parent that a joint's twin has, with the twin and its parent; by name, because where a
/// joint hangs elsewhere geometry may find it no twin.
fn by_twin(facts: &Facts<'_>, joint: JointId) -> Option<(JointId, JointId, JointId)> {
    let rig = facts.rig();
    let called = |name: &str| {
        let mut found = rig.joints.iter().enumerate().filter(|(_, one)| one.name.as_deref() == Some(name));
        let (index, _) = found.next()?;
        found.next().is_none().then(|| JointId::new(index))
    };
    let twin = called(&facts.names().mate(joint)?)?;
    let Parent::Joint(above) = rig.joints[twin.index()].parent else { return None };
    let parent = match facts.names().mate(above) {
        Some(mate) => called(&mate)?,
        None => above,
    };
    // What hangs from the joint cannot carry it.
    let mut up = Some(parent);
    for _ in 0..=rig.joints.len() {
        match up {
            Some(at) if at == joint => return None,
            Some(at) => up = facts.tree().parent[at.index()],
            None => break,
        }
    }
    (parent != twin && twin != joint).then_some((twin, above, parent))
}

/// Parents for all roots but one, for a plan that declares none of its several roots.
pub fn rejoined(facts: &Facts<'_>) -> Vec<Proposal> {
    let Some(mut case) = Case::new(facts, false, &RootRule::One) else { return Vec::new() };
    let mut roots = Vec::new();
    for (at, item) in case.scene.items.iter_mut().enumerate() {
        if item.decided == Decided::Root {
            item.decided = Decided::Open;
            case.before[at] = Decided::Open;
            roots.push(case.joint[at]);
        }
    }
    let mut out = case.proposals(&RootRule::One, facts.answers());
    out.retain(|proposal| proposal.parent.is_some() && roots.contains(&proposal.joint));
    out
}

/// Decided parents that the suggester doubts strongly.
pub fn doubts(facts: &Facts<'_>) -> Vec<Doubt> {
    const MOST: usize = 400;
    let rig = facts.rig();
    if rig.joints.len() > MOST {
        return Vec::new();
    }
    let rule = rule(rig, false);
    let Some(case) = Case::new(facts, false, &rule) else { return Vec::new() };
    let mut out = case.doubts(facts.answers());
    out.sort_by_key(|doubt| doubt.joint);
    out
}

/// Which joints may be roots.
fn rule(rig: &Rig, strip: bool) -> RootRule {
    if rig.source == Source::Gltf {
        return if strip { RootRule::Any } else { RootRule::Decided };
    }
    let declared = rig.declared_roots.as_ref().is_some_and(|list| !list.is_empty());
    let decided = !strip && rig.joints.iter().any(|joint| joint.parent == Parent::Root);
    if declared || decided { RootRule::Decided } else { RootRule::One }
}

fn label(rig: &Rig, joint: JointId) -> String {
    let joint_data = &rig.joints[joint.index()];
    joint_data.name.clone().unwrap_or_else(|| format!("joint {}", joint.0))
}

fn pointer(rig: &Rig, joint: JointId) -> String {
    match rig.joints[joint.index()].node {
        Some(node) => format!("/nodes/{}", node.0),
        None => format!("/joints/{}", joint.0),
    }
}

/// A rig solved.
struct Solved {
    answer: Answer,
    second: Vec<Vec<f32>>,
    /// Per edge, what of the way lies outside the body; empty without one.
    outside: Vec<Option<f64>>,
    unused: Vec<String>,
    choices: Vec<conventions::Choice>,
}

impl Solved {
    /// Parent, probability and runner-up of the joint at a place.
    fn choice(&self, at: usize) -> (Option<usize>, f64, Option<(Option<usize>, f64)>) {
        let Some(chosen) = self.answer.chosen.get(at).copied() else { return (None, 0.0, None) };
        let problem = &self.answer.problem;
        let (from, to) = problem.of[at];
        let next = (from..to).filter(|k| *k != chosen).max_by(|a, b| {
            self.answer.probability[*a].total_cmp(&self.answer.probability[*b]).then(b.cmp(a))
        });
        let parent = |k: usize| problem.edges[k].from.checked_sub(1);
        (
            parent(chosen),
            self.answer.probability[chosen],
            next.map(|k| (parent(k), self.answer.probability[k])),
        )
    }
}

impl<'f> Case<'f> {
    fn new(facts: &'f Facts<'_>, strip: bool, rule: &RootRule) -> Option<Self> {
        let rig = facts.rig();
        let count = rig.joints.len();
        if count == 0 {
            return None;
        }
        let mut places: Vec<Option<(usize, usize)>> = vec![None; count];
        let mut previous: Vec<Option<usize>> = vec![None; count];
        for (number, part) in rig.parts.iter().enumerate() {
            let mut before: Option<usize> = None;
            for (place, joint) in part.joints.iter().flatten().enumerate() {
                let at = joint.index();
                if places[at].is_none() {
                    places[at] = Some((number, place));
                    previous[at] = before;
                }
                before = Some(at);
            }
        }
        let listed = |name: &Option<String>| {
            rig.declared_roots
                .as_ref()
                .is_some_and(|list| name.as_ref().is_some_and(|name| list.contains(name)))
        };
        let mut items: Vec<Item> = Vec::with_capacity(count);
        let mut by_part = vec![false; count];
        let in_loop: Vec<bool> = {
            let mut marks = vec![false; count];
            for joint in facts.tree().loops.iter().flatten() {
                marks[joint.index()] = true;
            }
            marks
        };
        for (index, joint) in rig.joints.iter().enumerate() {
            let decided = match &joint.parent {
                _ if strip && listed(&joint.name) => Decided::Root,
                _ if strip => Decided::Open,
                Parent::Joint(_) if in_loop[index] => Decided::Open,
                Parent::Joint(p) => Decided::Under(p.index()),
                Parent::Root => Decided::Root,
                Parent::Undecided | Parent::Unknown(_) if listed(&joint.name) => Decided::Root,
                Parent::Undecided | Parent::Unknown(_) => Decided::Open,
            };
            let part = places[index].and_then(|(part, _)| rig.parts.get(part));
            items.push(Item {
                name: joint.name.clone(),
                at: facts.origin(JointId::new(index)),
                tip: joint.tip,
                part: places[index],
                kind: part.and_then(|part| part.kind),
                side: part.and_then(|part| part.side),
                control: joint.role == Some(Role::Control),
                decided,
            });
        }
        // A part's order decides its inner joints, unless the parents that are there lead the other way.
        for index in 0..count {
            if items[index].decided == Decided::Open
                && let Some(before) = previous[index]
                && !leads_to(&items, before, index)
            {
                items[index].decided = Decided::Under(before);
                by_part[index] = true;
            }
        }
        if *rule == RootRule::Decided && !items.iter().any(|item| item.decided == Decided::Root) {
            // Nothing that is listed as a root exists.
            if items.iter().all(|item| item.decided != Decided::Open) && facts.tree().loops.is_empty() {
                return None;
            }
        }
        let order = canonical(&items);
        let mut place = vec![0; count];
        for (new, old) in order.iter().enumerate() {
            place[*old] = new;
        }
        let sorted: Vec<Item> = order
            .iter()
            .map(|old| {
                let mut item = items[*old].clone();
                if let Decided::Under(p) = item.decided {
                    item.decided = Decided::Under(place[p]);
                }
                item
            })
            .collect();
        let before = order
            .iter()
            .zip(&sorted)
            .map(|(old, item)| if by_part[*old] { Decided::Open } else { item.decided })
            .collect();
        let by_part = order.iter().map(|old| by_part[*old]).collect();
        let joint = order.iter().map(|old| JointId::new(*old)).collect();
        let chains = sorted.iter().any(|item| item.tip.is_some() && item.part.is_some());
        let scene = Scene::new(sorted);
        let expert = Model::built_in().expert(if chains {
            "plan"
        } else if scene.spoken < 0.1 && scene.runs.is_empty() {
            "bare"
        } else {
            "named"
        })?;
        let asks = scene.items.iter().any(|item| item.decided == Decided::Open);
        let body = if asks { facts.solid() } else { None };
        Some(Self { scene, body, joint, before, by_part, expert })
    }

    fn solve(&self, rule: &RootRule, answers: &BTreeMap<String, String>) -> Solved {
        let scene = &self.scene;
        for rule in [rule, &RootRule::Any] {
            let problem = solve::problem(scene, rule, |_| None);
            let Looked { problem, rows: second, mut scores } =
                solve::look(scene, problem, self.expert, |_| None);
            let outside = self.body.map_or_else(Vec::new, |body| way::outside(scene, &problem, body));
            way::weigh(&outside, &mut scores);
            solve::tie_twins(scene, &problem, &mut scores);
            let unused = apply(scene, &problem, &mut scores, answers);
            if let Some(answer) = solve::answer(scene, problem, &scores, self.expert.temperature, rule) {
                let choices = choices(scene, &answer.problem, &answer.probability);
                return Solved { answer, second, outside, unused, choices };
            }
        }
        // With any number of roots allowed there is always a tree; this is for a skeleton whose decided parents loop.
        let answer = Answer { problem: Problem::default(), chosen: Vec::new(), probability: Vec::new() };
        Solved { answer, second: Vec::new(), outside: Vec::new(), unused: Vec::new(), choices: Vec::new() }
    }

    /// The suggested parents of the open joints, in document order.
    fn proposals(&self, rule: &RootRule, answers: &BTreeMap<String, String>) -> Vec<Proposal> {
        let open = self.scene.items.iter().filter(|item| item.decided == Decided::Open).count();
        if open > MOST_OPEN || !self.before.contains(&Decided::Open) {
            return Vec::new();
        }
        let solved = self.solve(rule, answers);
        let mut out: Vec<Proposal> = (0..self.joint.len())
            .filter(|at| self.before[*at] == Decided::Open)
            .map(|at| {
                let (parent, probability, runner_up) = solved.choice(at);
                Proposal {
                    joint: self.joint[at],
                    parent: parent.map(|p| self.joint[p]),
                    probability,
                    runner_up: runner_up.map(|(p, probability)| (p.map(|p| self.joint[p]), probability)),
                    reasons: self.reasons(&solved, at),
                }
            })
            .collect();
        out.sort_by_key(|proposal| proposal.joint);
        out
    }

    fn reasons(&self, solved: &Solved, at: usize) -> Vec<String> {
        if self.by_part[at]
            && let Decided::Under(p) = self.scene.items[at].decided
        {
            let name = self.scene.items[p].name.clone().unwrap_or_default();
            return vec![format!("its part lists it right after {name}")];
        }
        let Some(chosen) = solved.answer.chosen.get(at).copied() else { return Vec::new() };
        let problem = &solved.answer.problem;
        let (from, to) = problem.of[at];
        let next = (from..to).filter(|k| *k != chosen).max_by(|a, b| {
            solved.answer.probability[*a].total_cmp(&solved.answer.probability[*b]).then(b.cmp(a))
        });
        let rows =
            |k: usize| Rows { first: &problem.rows[k], second: solved.second.get(k).map(Vec::as_slice) };
        let mut out = reasons(
            &self.scene,
            self.expert,
            problem.edges[chosen].from.checked_sub(1),
            at,
            rows(chosen),
            next.map(rows),
            1.0,
        );
        let outside = |k: usize| solved.outside.get(k).copied().flatten();
        if let Some(reason) = next.and_then(|next| way::reason(outside(chosen), outside(next))) {
            // Three in all.
            out.truncate(2);
            out.push(reason);
        }
        out
    }

    /// Every decided parent against what else it could be, all other parents as they are.
    fn doubts(&self, answers: &BTreeMap<String, String>) -> Vec<Doubt> {
        let count = self.scene.count();
        let mut items = self.scene.items.clone();
        for item in &mut items {
            item.decided = Decided::Open;
        }
        let parent = |at: usize| match self.scene.items[at].decided {
            Decided::Under(p) => Some(Some(p)),
            Decided::Root => Some(None),
            Decided::Open => None,
        };
        if count > 400 || (0..count).all(|at| parent(at).is_none()) {
            return Vec::new();
        }
        let scene = Scene::new(items);
        let problem = solve::problem(&scene, &RootRule::Any, |at| parent(at).flatten());
        let Looked { problem, rows, mut scores } = solve::look(&scene, problem, self.expert, parent);
        apply(&scene, &problem, &mut scores, answers);
        let edge = |index: usize| (problem.edges[index].from.checked_sub(1), problem.edges[index].to - 1);
        let mut out = Vec::new();
        for j in 0..count {
            let Some(there) = parent(j) else { continue };
            let (from, to) = problem.of[j];
            let allowed: Vec<usize> = (from..to)
                .filter(|index| edge(*index).0.is_none_or(|p| !leads_to(&self.scene.items, p, j)))
                .collect();
            let scaled = |index: usize| scores[index] / self.expert.temperature;
            let most = allowed.iter().map(|index| scaled(*index)).fold(f64::NEG_INFINITY, f64::max);
            let sum: f64 = allowed.iter().map(|index| (scaled(*index) - most).exp()).sum();
            let share = |index: usize| (scaled(index) - most).exp() / sum;
            let Some(present) = allowed.iter().copied().find(|index| edge(*index).0 == there) else {
                continue;
            };
            let Some(best) =
                allowed.iter().copied().max_by(|a, b| scores[*a].total_cmp(&scores[*b]).then(b.cmp(a)))
            else {
                continue;
            };
            if share(present) >= DOUBTFUL || share(best) <= SURE_OTHER || self.by_part[j] {
                continue;
            }
            let view = |k: usize| Rows { first: &problem.rows[k], second: rows.get(k).map(Vec::as_slice) };
            out.push(Doubt {
                joint: self.joint[j],
                present: share(present),
                parent: edge(best).0.map(|p| self.joint[p]),
                probability: share(best),
                reasons: reasons(&scene, self.expert, edge(best).0, j, view(best), Some(view(present)), 1.0),
            });
        }
        out
    }

    fn report(&self, rig: &Rig, solved: &Solved, doubts: &[Doubt], ask: &Ask) -> Parents {
        let name = |at: usize| label(rig, self.joint[at]);
        let probability = |p: f64| round((p * 1e4).round() / 1e4);
        let mut suggestions = Vec::with_capacity(self.joint.len());
        let (mut patch, mut moves) = (Vec::new(), Vec::new());
        let (mut expected, mut proposed) = (0.0, 0);
        let mut by_document: Vec<usize> = (0..self.joint.len()).collect();
        by_document.sort_by_key(|at| self.joint[*at]);
        for at in by_document {
            let joint = self.joint[at];
            let (parent, p, runner_up) = solved.choice(at);
            let open = self.before[at] == Decided::Open;
            let doubt = doubts.iter().find(|doubt| doubt.joint == joint);
            let mut suggestion = Suggestion {
                joint: label(rig, joint),
                pointer: pointer(rig, joint),
                parent: parent.map(name),
                probability: probability(p),
                runner_up: runner_up
                    .map(|(p, value)| RunnerUp { parent: p.map(name), probability: probability(value) }),
                reasons: if open { self.reasons(solved, at) } else { Vec::new() },
                status: if open { Status::Proposed } else { Status::Confirmed },
                present: None,
            };
            if let (false, Some(doubt)) = (open, doubt) {
                suggestion.present =
                    Some(RunnerUp { parent: parent.map(name), probability: probability(doubt.present) });
                suggestion.parent = doubt.parent.map(|p| label(rig, p));
                suggestion.probability = probability(doubt.probability);
                suggestion.reasons.clone_from(&doubt.reasons);
                suggestion.status = Status::Challenged;
            }
            if let (Source::Gltf, Some(node)) = (rig.source, rig.joints[joint.index()].node)
                && (open || doubt.is_some())
                && suggestion.probability >= ask.least
            {
                let wanted = match doubt {
                    Some(doubt) if !open => doubt.parent,
                    _ => parent.map(|place| self.joint[place]),
                };
                let now = match rig.joints[joint.index()].parent {
                    Parent::Joint(up) => Some(up),
                    _ => None,
                };
                if wanted != now {
                    let parent = wanted.and_then(|up| rig.joints[up.index()].node).map(|node| node.0);
                    moves.push(json!({"node": node.0, "parent": parent}));
                }
            }
            if open {
                expected += p;
                proposed += 1;
                if rig.source == Source::Plan && p >= ask.least {
                    let value = suggestion.parent.as_ref().map_or(json!(null), |parent| json!(parent));
                    patch.push(PatchOp::set(format!("/joints/{}/parent", joint.0), value));
                }
            }
            suggestions.push(suggestion);
        }
        let questions = solved.choices.iter().take(MOST_QUESTIONS).map(|choice| Question {
            id: choice.id.clone(),
            text: choice.text.clone(),
            joints: choice.joints.iter().map(|at| name(*at)).collect(),
            options: choice
                .options
                .iter()
                .map(|option| AnswerOption {
                    answer: option.answer.clone(),
                    probability: probability(option.probability),
                    parents: option
                        .parents
                        .iter()
                        .zip(&choice.joints)
                        .filter_map(|(parent, j)| Some((name(*j), parent.as_ref()?.map(name))))
                        .collect(),
                })
                .collect(),
        });
        let summary =
            format!("hang {} as suggested", if moves.len() == 1 { "the joint" } else { "the joints" });
        let reparent = |moves: Vec<Value>| Fix::Repair {
            applicability: Applicability::Review,
            name: "reparent".into(),
            arguments: json!({ "nodes": moves }),
            summary,
        };
        let repairs = if moves.is_empty() { Vec::new() } else { vec![reparent(moves)] };
        Parents {
            repairs,
            suggestions,
            questions: questions.collect(),
            patch,
            expected_correct: round((expected * 1e4_f64).round() / 1e4),
            proposed,
            unused_answers: solved.unused.clone(),
            ..Parents::empty()
        }
    }
}

impl Parents {
    fn empty() -> Self {
        Self {
            parents: "condyle.parents/1".to_owned(),
            model: Model::built_in().trained_on.clone(),
            suggestions: Vec::new(),
            questions: Vec::new(),
            patch: Vec::new(),
            repairs: Vec::new(),
            expected_correct: 0.0,
            proposed: 0,
            unused_answers: Vec::new(),
        }
    }
}

/// Whether decided parents lead from `from` up to `to` (or it is `to`).
fn leads_to(items: &[Item], from: usize, to: usize) -> bool {
    let mut at = from;
    for _ in 0..=items.len() {
        if at == to {
            return true;
        }
        match items[at].decided {
            Decided::Under(up) => at = up,
            _ => return false,
        }
    }
    false
}
