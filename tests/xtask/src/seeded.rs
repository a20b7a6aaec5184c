//! `cargo xtask seeded`: the seeded-fault bench in full, and its table.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use condyle_core::check::{Bound, CHECKS, Descriptor, Plantable};
use condyle_core::demo::{NAMES, character};
use condyle_core::finding::Fix;
use condyle_core::intake::{Bundle, Limits, Upload};
use condyle_core::repair::apply_fixes;
use condyle_core::testing::plant::{
    Amount, Document, Ground, Outcome, Planter, humanoids, measure, planters, scene_of,
};
use rayon::prelude::*;

use crate::models;

/// Placements of each planter; each is planted in up to four strengths.
const PLACEMENTS: u64 = 60;
/// Vertices of a demo character, about.
const VERTICES: usize = 1_500;
/// Real models of more vertices are left out: each is planted in hundreds of times.
const MOST_VERTICES: usize = 12_000;
/// Real models of one folder.
const PER_FOLDER: usize = 4;

pub(crate) fn run(root: &Path, arguments: &[&str]) -> Result<(), String> {
    let only = arguments.first().copied();
    let wanted: Vec<Planter> = planters()
        .into_iter()
        .filter(|planter| {
            only.is_none_or(|only| planter.check == only || planter.check.starts_with(&format!("{only}/")))
        })
        .collect();
    if wanted.is_empty() {
        return Err(format!("no planter is for {}", only.unwrap_or_default()));
    }
    let grounds = grounds(root)?;
    let jobs: Vec<(usize, u64)> =
        (0..wanted.len()).flat_map(|planter| (0..PLACEMENTS).map(move |number| (planter, number))).collect();
    let measured: Vec<(usize, Outcome)> = jobs
        .into_par_iter()
        .map(|(planter, number)| (planter, measure(&wanted[planter], &grounds, number, Some(repaired))))
        .collect();
    let mut outcomes: BTreeMap<&str, Outcome> = BTreeMap::new();
    for (planter, outcome) in measured {
        outcomes.entry(wanted[planter].check).or_default().merge(outcome);
    }
    for (check, outcome) in &outcomes {
        for miss in &outcome.misses {
            println!("{check} · {} · {} · {}: {}", miss.ground, miss.place, miss.what, miss.how);
        }
    }
    let real = grounds.iter().filter(|ground| ground.real).count();
    let text = table(&outcomes, real);
    println!("{text}");
    if only.is_none() {
        let path = root.join("core/SEEDED.md");
        fs::write(&path, text).map_err(|error| format!("{}: {error}", path.display()))?;
        println!("wrote core/SEEDED.md");
    }
    Ok(())
}

/// The demo characters as plan and as model, and real models.
fn grounds(root: &Path) -> Result<Vec<Ground>, String> {
    let mut grounds = Vec::new();
    for name in NAMES {
        let it = character(name, VERTICES).ok_or("a demo character is missing")?;
        let (plan, scene) = (Document::Plan(it.plan), Document::Scene(it.scene));
        let body = Some(scene.bytes());
        grounds.push(Ground::with_body(format!("{name} (plan and body)"), plan.clone(), body, false)?);
        grounds.push(Ground::new(format!("{name} (plan)"), plan, false)?);
        grounds.push(Ground::new(format!("{name} (model)"), scene, false)?);
    }
    grounds.extend(humanoids()?);
    let folder = root.join("../shared/data/models");
    let mut taken: BTreeMap<String, usize> = BTreeMap::new();
    for path in models::below(&folder) {
        let name = path.strip_prefix(&folder).unwrap_or(&path).to_string_lossy().into_owned();
        // Conformance files are broken on purpose.
        if ["tests", "generator"].iter().any(|word| name.contains(word)) {
            continue;
        }
        let kin = path.parent().unwrap_or(&path).to_string_lossy().into_owned();
        let count = taken.entry(kin).or_default();
        if *count >= PER_FOLDER {
            continue;
        }
        let Ok(Ok(intake)) = models::intake(&path) else { continue };
        if !Ground::fits(&intake.rig, MOST_VERTICES) {
            continue;
        }
        let Some(scene) = scene_of(&intake.rig) else { continue };
        if let Ok(ground) = Ground::new(name, Document::Scene(scene), true) {
            grounds.push(ground);
            *count += 1;
        }
    }
    Ok(grounds)
}

fn kind(check: &Descriptor, plantable: &Plantable) -> String {
    let down = check.bands.iter().all(|band| band.bound == Bound::Below);
    let to = |most: &f64| format!("{} to {most}", if down { "down" } else { "up" });
    match plantable {
        Plantable::Boolean => "there or not".into(),
        Plantable::Range { most } => to(most),
        Plantable::Modulo { most, period } => format!("{}, modulo {period}", to(most)),
        Plantable::FromBelow { most } => format!("{}, bound from below", to(most)),
        Plantable::Aimed { kind: inner, .. } => kind(check, inner),
    }
}

fn table(outcomes: &BTreeMap<&str, Outcome>, real: usize) -> String {
    let mut text = format!(
        "# Seeded faults\n\nMade by `cargo xtask seeded`. One fault at a time is planted at {PLACEMENTS} random legal places for each check \
         (seeds fixed; a third each in the plans and in the models of the demo characters and in {real} real models of `../shared/data`, \
         rewritten as plain GLB, whose standing findings are the baseline; a check of one kind of input uses those it runs on). A fault \
         with a measure is planted at each place at 0.5, 1.5 and 3 times the limit and at the far end of its range.\n\n\
         *found*: the check has a finding that the sound rig has not. *named*: that finding's subject, or a member it lists, is what was \
         changed. *silent*: at half the limit no new finding of the check of the band's severity or worse. *fixes*: the finding's \
         fix, applied alone, closes it and adds no finding of any check; a dash where no fix was offered or nothing applies it yet.\n\n\
         | check | kind | places | found 1.5× | found 3× | found far | named | silent 0.5× | safe fixes | review fixes | aim |\n\
         |---|---|---|---|---|---|---|---|---|---|---|\n"
    );
    let mut all = Outcome::default();
    let mut lower = Vec::new();
    for check in CHECKS {
        let Some(outcome) = outcomes.get(check.id) else { continue };
        let (aim, reason) = check.plantable.aim();
        text.push_str(&format!(
            "| {} | {} | {} | {} | {} | {} | {} | {} | {} | {} | {} |\n",
            check.id,
            kind(check, &check.plantable),
            outcome.places,
            told(outcome.at_one_and_a_half),
            told(outcome.at_three),
            told(outcome.at_far),
            told(outcome.named),
            told(outcome.silent),
            told(outcome.safe),
            told(outcome.review),
            format_args!("{} %", aim * 100.0),
        ));
        match reason {
            Some(reason) => lower.push(format!("* {}: {} %, because {reason}", check.id, aim * 100.0)),
            None => all.merge(Outcome { misses: Vec::new(), ..outcome.clone() }),
        }
    }
    text.push_str(&format!(
        "\nOver all checks that declare no lower aim: found and named {}, silent at half the limit {}, safe fixes close {}.\n",
        told(all.named),
        told(all.silent),
        told(all.safe)
    ));
    if !lower.is_empty() {
        text.push_str(&format!("\nLower aims:\n{}\n", lower.join("\n")));
    }
    let bare: Vec<&str> = CHECKS
        .iter()
        .map(|check| check.id)
        .filter(|id| !planters().iter().any(|one| one.check == *id))
        .collect();
    let bare = if bare.is_empty() { "none".to_owned() } else { bare.join(", ") };
    text.push_str(&format!("\nChecks without a planter: {bare}.\n"));
    text
}

/// `held/of` and the share.
fn told(amount: Amount) -> String {
    if amount.of == 0 {
        return "–".to_owned();
    }
    format!("{}/{} ({:.1} %)", amount.held, amount.of, amount.share() * 100.0)
}

/// A GLB with one fix applied.
fn repaired(glb: &[u8], fix: &Fix) -> Option<Vec<u8>> {
    let bundle = Bundle { model: Some(Upload { name: "planted.glb", bytes: glb }), ..Bundle::default() };
    apply_fixes(&bundle, &Limits::default(), std::slice::from_ref(fix)).ok()?.0
}
