//! Planting, judging and counting.

use std::sync::Arc;

use super::ground::{Sound, judge, key, read_bytes};
use super::profile::{profile, profile_of};
use super::{Document, Ground, Planted, Planter, Random, Site, Strength};
use crate::check::{Bound, CHECKS, Descriptor, Need, On, find};
use crate::facts::Facts;
use crate::finding::{Applicability, Fix};
use crate::intake::Intake;
use crate::model::Source;
use crate::repair::{Which, repair_plan};
use crate::report::{Finding, Report, Severity};

/// Draws before a placement is given up.
const TRIES: u64 = 60;

/// Applies a fix to a GLB: the repaired bytes, or nothing where it cannot.
pub type Repair = fn(&[u8], &Fix) -> Option<Vec<u8>>;

/// How often something held, of how often it was asked.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Amount {
    /// It held.
    pub held: u32,
    /// It was asked.
    pub of: u32,
}

impl Amount {
    fn count(&mut self, held: bool) {
        self.held += u32::from(held);
        self.of += 1;
    }

    fn add(&mut self, other: Self) {
        self.held += other.held;
        self.of += other.of;
    }

    /// The share that held; one where nothing was asked.
    pub fn share(&self) -> f64 {
        if self.of == 0 { 1.0 } else { f64::from(self.held) / f64::from(self.of) }
    }
}

/// A placement that went wrong, for people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Miss {
    /// The rig.
    pub ground: String,
    /// The placement's number, and how strong it was.
    pub place: String,
    /// What was planted.
    pub what: String,
    /// What went wrong.
    pub how: String,
}

/// What the bench found out about one check.
#[derive(Debug, Clone, Default)]
pub struct Outcome {
    /// Placements, over all strengths.
    pub places: u32,
    /// Placements in plans.
    pub in_plans: u32,
    /// Placements in models by others.
    pub in_real: u32,
    /// Found: a finding of the check that was not there before, at 1.5 times the limit (or there at all).
    pub at_one_and_a_half: Amount,
    /// Found at three times the limit.
    pub at_three: Amount,
    /// Found at the far end.
    pub at_far: Amount,
    /// Found, and the right subject named, over all strengths that must be found.
    pub named: Amount,
    /// No new finding of the check at half the limit, of the band's severity or worse.
    pub silent: Amount,
    /// Safe fixes that closed the finding and added nothing.
    pub safe: Amount,
    /// Fixes that want a look, and did so.
    pub review: Amount,
    /// The first few that went wrong.
    pub misses: Vec<Miss>,
}

impl Outcome {
    fn miss(&mut self, miss: Miss) {
        if self.misses.len() < 12 {
            self.misses.push(miss);
        }
    }

    /// Adds what another part of the same check's placements gave.
    pub fn merge(&mut self, other: Self) {
        self.places += other.places;
        self.in_plans += other.in_plans;
        self.in_real += other.in_real;
        self.at_one_and_a_half.add(other.at_one_and_a_half);
        self.at_three.add(other.at_three);
        self.at_far.add(other.at_far);
        self.named.add(other.named);
        self.silent.add(other.silent);
        self.safe.add(other.safe);
        self.review.add(other.review);
        for miss in other.misses {
            self.miss(miss);
        }
    }
}

/// Plants the `number`-th placement of a planter on the first ground that has a legal place for it, in every strength.
pub fn measure(planter: &Planter, grounds: &[Ground], number: u64, repair: Option<Repair>) -> Outcome {
    let mut out = Outcome::default();
    let Ok(check) = find(planter.check) else { return out };
    let judged_by = profile_of(planter, check);
    // Skeletons of a standard are for the checks of that standard, and bodies for what reads them.
    let standard = matches!(judged_by, "avatar" | "h-anim").then_some(judged_by);
    let bodied = check.requires.iter().any(|need| matches!(need, Need::Mesh | Need::Body | Need::TrialBind));
    // Plans, generated models and models by others have the same share, however many there are of each.
    let kind = |plan: bool, real: bool| -> Vec<&Ground> {
        let fits = if plan { planter.plan } else { planter.gltf };
        let like = |ground: &&Ground| {
            (ground.intake.rig.source == Source::Plan) == plan
                && ground.real == real
                && ground.made_for == standard
                && (!plan || ground.body.is_some() == bodied)
        };
        grounds.iter().filter(|_| fits).filter(like).collect()
    };
    let kinds: Vec<Vec<&Ground>> = [kind(true, false), kind(false, false), kind(false, true)]
        .into_iter()
        .filter(|kind| !kind.is_empty())
        .collect();
    if kinds.is_empty() {
        return out;
    }
    for attempt in 0..TRIES {
        let seed = number * TRIES + attempt;
        // The rigs in turn, each with other draws when its turn comes again.
        let turn = (number + attempt) as usize;
        let kind = &kinds[turn % kinds.len()];
        let ground = kind[(turn / kinds.len()) % kind.len()];
        if place(planter, check, ground, (number, seed), repair, &mut out) {
            return out;
        }
    }
    out
}

/// One placement; `false` where the drawn place is not legal.
fn place(
    planter: &Planter,
    check: &'static Descriptor,
    ground: &Ground,
    (number, seed): (u64, u64),
    repair: Option<Repair>,
    out: &mut Outcome,
) -> bool {
    let by = profile_of(planter, check);
    let Some(band) = band(planter, check, ground, by) else { return false };
    let Ok(sound) = ground.sound(by) else { return false };
    let facts = Facts::new(&ground.intake.rig);
    let strengths: &[Strength] = match planter.far {
        None => &[Strength::There],
        Some(_) => &[Strength::Times(0.5), Strength::Times(1.5), Strength::Times(3.0), Strength::Far],
    };
    let mut planted = Vec::new();
    for strength in strengths {
        let far = planter.far.unwrap_or_default();
        // Nothing is planted beyond the far end.
        let amount = match (*strength, band.bound) {
            (Strength::There, _) => 0.0,
            (Strength::Times(times), Bound::Below) => (band.limit / times).max(far),
            (Strength::Times(times), _) => (band.limit * times).min(far),
            (Strength::Far, _) => far,
        };
        // The same draws for each strength: the same place.
        let random = Random::new(planter.check, seed);
        let mut site = Site { ground, facts: &facts, random, amount, strength: *strength, limit: band.limit };
        let Some(fault) = (planter.plant)(&mut site) else { return false };
        planted.push((*strength, fault));
    }
    let Some(judged) = planted
        .iter()
        .map(|(strength, fault)| Some((*strength, fault, Judged::new(check, ground, &sound, by, fault)?)))
        .collect::<Option<Vec<_>>>()
    else {
        return false;
    };
    // A place that the sound rig's own findings are about shows nothing.
    if judged.iter().any(|(.., judged)| judged.hidden) {
        return false;
    }
    for (strength, fault, judged) in judged {
        out.places += 1;
        out.in_plans += u32::from(ground.intake.rig.source == Source::Plan);
        out.in_real += u32::from(ground.real);
        let severity = band.severity;
        let told = |how: String| Miss {
            ground: ground.name.clone(),
            place: format!("{number} {strength:?}"),
            what: fault.what.clone(),
            how,
        };
        if strength == Strength::Times(0.5) {
            let loud: Vec<&Finding> = judged.fresh().filter(|finding| finding.severity <= severity).collect();
            out.silent.count(loud.is_empty());
            if let Some(first) = loud.first() {
                out.miss(told(format!("not silent: {}", first.message)));
            }
            continue;
        }
        let found = judged.fresh().next().is_some();
        match strength {
            Strength::Times(1.5) | Strength::There => out.at_one_and_a_half.count(found),
            Strength::Times(_) => out.at_three.count(found),
            Strength::Far => out.at_far.count(found),
        }
        let named = judged.fresh().find(|finding| names(finding, &fault.subjects));
        out.named.count(named.is_some());
        match named {
            None if found => {
                let all: Vec<&str> = judged.fresh().map(|finding| finding.message.as_str()).collect();
                out.miss(told(format!("another subject is named: {}", all.join("; "))));
            }
            None => out.miss(told("not found".into())),
            Some(finding) => mend(&judged, finding, fault, ground, repair, out, told),
        }
    }
    true
}

/// A band as the profile sets it.
struct Set {
    bound: Bound,
    limit: f64,
    severity: Severity,
}

/// The band that a planter breaks on this kind of ground.
fn band(planter: &Planter, check: &Descriptor, ground: &Ground, by: &'static str) -> Option<Set> {
    let on = On::from(ground.intake.rig.source);
    let settings = profile(by).settings(CHECKS.iter().position(|one| one.id == check.id)?);
    check
        .bands
        .iter()
        .zip(&settings.bands)
        .filter(|(band, _)| band.on.contains(on) && planter.band.is_none_or(|name| band.name == name))
        .find_map(|(band, now)| Some(Set { bound: band.bound, limit: now.limit, severity: now.severity? }))
}

/// A spoilt document with its report.
struct Judged {
    check: &'static Descriptor,
    by: &'static str,
    sound: Arc<Sound>,
    bytes: Vec<u8>,
    intake: Intake,
    /// By the one check.
    report: Report,
    /// The planted subject had a finding of this check before.
    hidden: bool,
    /// What was planted.
    subjects: Vec<String>,
}

impl Judged {
    fn new(
        check: &'static Descriptor,
        ground: &Ground,
        sound: &Arc<Sound>,
        by: &'static str,
        fault: &Planted,
    ) -> Option<Self> {
        let bytes = fault.document.bytes();
        let intake = read_bytes(&bytes, ground.body.as_deref()).ok()?;
        // A waiver is judged by what the others found.
        let only: &[&str] = if check.family() == "policy" { &[] } else { &[check.id] };
        let report = judge(&intake, by, reference(check, ground), only, &[]).ok()?;
        let hidden = sound
            .report
            .findings
            .iter()
            .any(|finding| finding.check == check.id && names(finding, &fault.subjects));
        let (sound, subjects) = (Arc::clone(sound), fault.subjects.clone());
        Some(Self { check, by, sound, bytes, intake, report, hidden, subjects })
    }

    /// Findings of the check that the sound rig does not have.
    fn fresh_in<'r>(&'r self, report: &'r Report) -> impl Iterator<Item = &'r Finding> {
        report.findings.iter().filter(|finding| {
            // One that lists what was planted is new, even where the whole it is about had one before.
            let new = !self.sound.standing.contains(&key(finding)) || names(finding, &self.subjects);
            finding.check == self.check.id && new
        })
    }

    fn fresh(&self) -> impl Iterator<Item = &Finding> {
        self.fresh_in(&self.report)
    }
}

/// The reference skeleton of the check that needs one: the sound rig.
fn reference<'g>(check: &Descriptor, ground: &'g Ground) -> Option<&'g crate::model::Rig> {
    check.requires.contains(&crate::check::Need::Reference).then_some(&ground.intake.rig)
}

/// Whether a finding is about one of the pointers, or lists one.
fn names(finding: &Finding, pointers: &[String]) -> bool {
    let one = |pointer: &String| pointers.contains(pointer);
    one(&finding.subject.pointer)
        || finding
            .related
            .iter()
            .filter(|related| !matches!(related.relation.as_str(), "parent" | "skin" | "child"))
            .any(|related| one(&related.pointer))
}

/// Applies the finding's fix and looks again.
fn mend(
    judged: &Judged,
    finding: &Finding,
    fault: &Planted,
    ground: &Ground,
    repair: Option<Repair>,
    out: &mut Outcome,
    told: impl Fn(String) -> Miss,
) {
    let Some(fix) = &finding.fix else { return };
    let (Fix::Patch { applicability, .. } | Fix::Repair { applicability, .. }) = fix;
    let chosen = vec![finding.fingerprint.clone()];
    let repaired: Option<Vec<u8>> = match (&fault.document, repair) {
        (Document::Plan(plan), _) => {
            let done = repair_plan(plan, &judged.report, &Which::Chosen(chosen));
            Some(done.plan.to_string().into_bytes())
        }
        (Document::Scene(_), Some(repair)) => repair(&judged.bytes, fix),
        (Document::Scene(_), None) => return,
    };
    let outcome = repaired.ok_or_else(|| "the repair could not be applied".to_owned()).and_then(|bytes| {
        let intake: Intake = read_bytes(&bytes, ground.body.as_deref())?;
        let reference = reference(judged.check, ground);
        // A trial bind costs more than all the rest: what it says is for the checks that read it.
        let skip: &[&str] = if judged.check.family() == "forecast" { &[] } else { &["forecast"] };
        let before = judge(&judged.intake, judged.by, reference, &[], skip)?;
        let after = judge(&intake, judged.by, reference, &[], skip)?;
        if let Some(left) = judged.fresh_in(&after).find(|left| names(left, &fault.subjects)) {
            return Err(format!("the fix leaves: {}", left.message));
        }
        // By pointer: a joint that was renamed is the same joint, whatever its findings are called now.
        let place =
            |one: &Finding| (one.check.clone(), one.subject.kind.clone(), one.subject.pointer.clone());
        let known = before.findings.iter().chain(&judged.sound.report.findings);
        let known: Vec<_> = known.map(place).collect();
        let added = after.findings.iter().find(|one| !known.contains(&place(one)));
        match added {
            Some(added) => Err(format!("the fix adds {}: {}", added.check, added.message)),
            None => Ok(()),
        }
    });
    let amount = match applicability {
        Applicability::Safe => &mut out.safe,
        Applicability::Review => &mut out.review,
    };
    amount.count(outcome.is_ok());
    if let Err(how) = outcome {
        out.miss(told(how));
    }
}
