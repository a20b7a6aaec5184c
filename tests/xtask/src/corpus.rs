//! `cargo xtask corpus`: what the catalogue says about a folder of models, and what a change makes of that.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use condyle_core::check::{Profile, Request, Unobserved, run as check};
use condyle_core::report::Severity;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use crate::models;

/// Findings of one model: by check and severity, how many; and their texts, so that a difference can be read.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Model {
    /// Why it builds no rig.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    refused: Option<String>,
    /// Counts by severity and check.
    counts: BTreeMap<Severity, BTreeMap<String, u64>>,
    /// `check: message`, sorted.
    findings: BTreeSet<String>,
}

/// What the catalogue says about a folder.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
struct Corpus {
    profile: String,
    catalogue: String,
    models: BTreeMap<String, Model>,
}

pub(crate) fn run(arguments: &[&str]) -> Result<(), String> {
    match arguments {
        ["--difference", before, after] => {
            let read = |path: &str| -> Result<Corpus, String> {
                let text = fs::read_to_string(path).map_err(|error| format!("{path}: {error}"))?;
                serde_json::from_str(&text).map_err(|error| format!("{path}: {error}"))
            };
            print!("{}", difference(&read(before)?, &read(after)?));
            Ok(())
        }
        [folder] => {
            print!("{}", table(&corpus(Path::new(folder))?));
            Ok(())
        }
        [folder, "--json"] => {
            let corpus = corpus(Path::new(folder))?;
            println!("{}", serde_json::to_string_pretty(&corpus).map_err(|error| error.to_string())?);
            Ok(())
        }
        _ => Err("usage: cargo xtask corpus FOLDER [--json] | corpus --difference BEFORE AFTER".into()),
    }
}

fn corpus(folder: &Path) -> Result<Corpus, String> {
    let paths = models::below(folder);
    if paths.is_empty() {
        return Err(format!("{}: there is no model in there", folder.display()));
    }
    let profile = Profile::realtime();
    let read: Result<Vec<(String, Model)>, String> = paths
        .par_iter()
        .map(|path| {
            let name = path.strip_prefix(folder).unwrap_or(path).to_string_lossy().into_owned();
            let model = model(path, &profile).map_err(|error| format!("{name}: {error}"))?;
            Ok((name, model))
        })
        .collect();
    Ok(Corpus {
        profile: profile.name.clone(),
        catalogue: condyle_core::check::CATALOGUE_VERSION.into(),
        models: read?.into_iter().collect(),
    })
}

fn model(path: &Path, profile: &Profile) -> Result<Model, String> {
    let intake = match models::intake(path).map_err(|error| error.to_string())? {
        Ok(intake) => intake,
        Err(fault) => return Ok(Model { refused: Some(fault.to_string()), ..Model::default() }),
    };
    let request = Request::all(profile, jiff::civil::date(2026, 11, 25));
    let report = check(&intake, &request, &Unobserved).map_err(|error| format!("{error:?}"))?;
    let mut model = Model::default();
    for finding in &report.findings {
        *model.counts.entry(finding.severity).or_default().entry(finding.check.clone()).or_default() += 1;
        model.findings.insert(format!("{} {}: {}", finding.severity.word(), finding.check, finding.message));
    }
    // What was found and not shown counts all the same; it has the severity of the last one shown.
    for (id, cut) in &report.truncated {
        let last = report.findings.iter().rfind(|finding| finding.check == *id);
        if let Some(last) = last {
            *model.counts.entry(last.severity).or_default().entry(id.clone()).or_default() +=
                cut.total - cut.shown;
        }
    }
    Ok(model)
}

/// A row for each check and severity, then the models with errors or warnings, then how quiet it is.
fn table(corpus: &Corpus) -> String {
    let sound: Vec<(&String, &Model)> =
        corpus.models.iter().filter(|(_, model)| model.refused.is_none()).collect();
    let mut text = format!(
        "Catalogue {}, profile {}: {} models, {} build no rig.\n\n| check | severity | findings | models |\n|---|---|---|---|\n",
        corpus.catalogue,
        corpus.profile,
        corpus.models.len(),
        corpus.models.len() - sound.len()
    );
    let mut rows: BTreeMap<(&str, Severity), (u64, u64)> = BTreeMap::new();
    for (_, model) in &sound {
        for (severity, checks) in &model.counts {
            for (id, count) in checks {
                let row = rows.entry((id, *severity)).or_default();
                *row = (row.0 + count, row.1 + 1);
            }
        }
    }
    for ((id, severity), (findings, models)) in rows {
        text.push_str(&format!("| {id} | {} | {findings} | {models} |\n", severity.word()));
    }
    text.push_str("\n| model | errors | warnings | notes | by check |\n|---|---|---|---|---|\n");
    for (name, model) in &sound {
        let of = |severity: Severity| total(model, severity);
        if of(Severity::Error) + of(Severity::Warning) == 0 {
            continue;
        }
        let checks: Vec<String> = model
            .counts
            .iter()
            .filter(|(severity, _)| **severity != Severity::Note)
            .flat_map(|(_, checks)| checks.iter().map(|(id, count)| format!("{id} {count}")))
            .collect();
        text.push_str(&format!(
            "| {name} | {} | {} | {} | {} |\n",
            of(Severity::Error),
            of(Severity::Warning),
            of(Severity::Note),
            checks.join(", ")
        ));
    }
    let mut warnings: Vec<u64> = sound.iter().map(|(_, model)| total(model, Severity::Warning)).collect();
    warnings.sort_unstable();
    let at = |share: f64| warnings.get(((warnings.len() as f64 - 1.0) * share).round() as usize).copied();
    let quantile = |share: f64| at(share).unwrap_or_default();
    text.push_str(&format!(
        "\nWarnings per model: median {}, three quarters {}, nine tenths {}, most {}.\n",
        quantile(0.5),
        quantile(0.75),
        quantile(0.9),
        quantile(1.0)
    ));
    text
}

fn total(model: &Model, severity: Severity) -> u64 {
    model.counts.get(&severity).map_or(0, |checks| checks.values().sum())
}

/// What came and what went, model by model.
fn difference(before: &Corpus, after: &Corpus) -> String {
    let mut text = String::new();
    let (mut came, mut went) = (0, 0);
    let none = Model::default();
    let names: BTreeSet<&String> = before.models.keys().chain(after.models.keys()).collect();
    for name in names {
        let (old, new) = (before.models.get(name).unwrap_or(&none), after.models.get(name).unwrap_or(&none));
        let mut lines = Vec::new();
        if old.refused != new.refused {
            let told = |model: &Model| model.refused.clone().unwrap_or_else(|| "is read".into());
            lines.push(format!("  ! {} → {}", told(old), told(new)));
        }
        for gone in old.findings.difference(&new.findings) {
            lines.push(format!("  - {gone}"));
            went += 1;
        }
        for added in new.findings.difference(&old.findings) {
            lines.push(format!("  + {added}"));
            came += 1;
        }
        if !lines.is_empty() {
            text.push_str(&format!("{name}\n{}\n", lines.join("\n")));
        }
    }
    text.push_str(&format!("{came} findings came, {went} went.\n"));
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corpus(finding: &str) -> Corpus {
        let model = Model {
            counts: [(Severity::Warning, [("skin/sum".to_owned(), 1)].into())].into(),
            findings: [finding.to_owned()].into(),
            ..Model::default()
        };
        Corpus { models: [("eel.glb".to_owned(), model)].into(), ..Corpus::default() }
    }

    #[test]
    fn a_difference_tells_what_came_and_what_went() {
        let (a, b) = (corpus("warning skin/sum: a"), corpus("warning skin/sum: b"));
        let text = "eel.glb\n  - warning skin/sum: a\n  + warning skin/sum: b\n1 findings came, 1 went.\n";
        assert_eq!(difference(&a, &b), text);
        assert_eq!(difference(&a, &a), "0 findings came, 0 went.\n");
    }

    #[test]
    fn a_table_counts_findings_and_models() {
        let text = table(&corpus("warning skin/sum: a"));
        assert!(text.contains("| skin/sum | warning | 1 | 1 |"), "{text}");
        assert!(text.contains("median 1"), "{text}");
    }
}
