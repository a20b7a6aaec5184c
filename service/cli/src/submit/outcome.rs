//! What became of one file.

use condyle_core::difference::Difference;
use condyle_core::report::{Counts, Report, Verdict};
use serde::Serialize;

use super::errand::Errand;
use super::link::Failure;
use crate::exit;
use crate::gate::Threshold;

/// What became of a file.
#[derive(Debug)]
pub(super) enum Became {
    /// It is a revision now.
    Stored,
    /// The service has these bytes: under this label.
    Known(String),
    /// The service has it safe, and nobody waits; where to ask.
    Queued(String),
    /// There is no revision of it.
    Failed(Failure),
    /// The run was stopped before it was done.
    Stopped,
}

/// A file with what became of it.
#[derive(Debug)]
pub(super) struct Outcome {
    pub(super) errand: Errand,
    /// What the revision is called, where that came to be known.
    pub(super) label: String,
    pub(super) became: Became,
    /// The answer, where there is one.
    pub(super) verdict: Option<Verdict>,
    pub(super) counts: Option<Counts>,
    /// The report, where somebody reads it.
    pub(super) report: Option<Box<Report>>,
    /// The text that fixes can be told in, where the form tells them so.
    pub(super) text: Option<String>,
    /// The report before, where the form asks for it.
    pub(super) previous: Option<Box<Report>>,
    /// What changed against the revision before.
    pub(super) change: Option<Change>,
    /// The asset had no revision before.
    pub(super) first: bool,
}

/// A difference in numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(super) struct Change {
    /// The label of the revision before.
    pub(super) against: String,
    pub(super) new: usize,
    pub(super) fixed: usize,
    pub(super) unchanged: usize,
}

impl Change {
    pub(super) fn of(difference: &Difference) -> Self {
        let findings = &difference.findings;
        Self {
            against: difference.from.name.clone(),
            new: findings.new.len(),
            fixed: findings.fixed.len(),
            unchanged: findings.unchanged.len(),
        }
    }

    pub(super) fn words(&self) -> String {
        let Self { against, new, fixed, unchanged } = self;
        match (new, fixed) {
            (0, 0) => format!("nothing new, nothing fixed, {unchanged} unchanged since {against}"),
            _ => format!("{new} new, {fixed} fixed, {unchanged} unchanged since {against}"),
        }
    }
}

impl Outcome {
    pub(super) fn new(errand: &Errand, label: String, became: Became) -> Self {
        Self {
            errand: errand.clone(),
            label,
            became,
            verdict: None,
            counts: None,
            report: None,
            text: None,
            previous: None,
            change: None,
            first: false,
        }
    }

    pub(super) fn failed(errand: &Errand, failure: Failure) -> Self {
        Self::new(errand, errand.label.clone().unwrap_or_default(), Became::Failed(failure))
    }

    /// The same with a report.
    pub(super) fn with(self, report: Box<Report>) -> Self {
        Self { verdict: Some(report.verdict), counts: Some(report.counts), report: Some(report), ..self }
    }

    /// Its exit code: the worst of all is the run's.
    pub(super) fn code(&self, fail_on: Threshold) -> u8 {
        match &self.became {
            Became::Failed(Failure::Input(_)) => exit::INPUT,
            Became::Failed(Failure::Service(_)) => exit::SERVICE,
            Became::Stopped => exit::STOPPED,
            _ if self.verdict.is_some_and(|verdict| !fail_on.passes(verdict)) => exit::GATE,
            _ => 0,
        }
    }

    fn word(&self) -> &'static str {
        match &self.became {
            Became::Stored => "stored",
            Became::Known(_) => "known",
            Became::Queued(_) => "queued",
            Became::Failed(Failure::Input(_)) => "refused",
            Became::Failed(Failure::Service(_)) => "unreached",
            Became::Stopped => "stopped",
        }
    }

    /// The line that programs read.
    pub(super) fn line(&self, production: &str, fail_on: Threshold) -> Line<'_> {
        let failure = match &self.became {
            Became::Failed(failure) => Some(failure.text()),
            _ => None,
        };
        let job = match &self.became {
            Became::Queued(place) => Some(place.as_str()),
            _ => None,
        };
        Line {
            submission: "condyle.submission/1",
            file: self.errand.path.to_string_lossy().into_owned(),
            production: production.to_owned(),
            asset: &self.errand.asset,
            label: match &self.became {
                Became::Known(label) => label,
                _ => &self.label,
            },
            outcome: self.word(),
            verdict: self.verdict,
            counts: self.counts,
            passed: self.verdict.map(|verdict| fail_on.passes(verdict)),
            change: self.change.as_ref(),
            job,
            error: failure,
        }
    }
}

/// One file as a line of JSON.
#[derive(Debug, Serialize)]
pub(super) struct Line<'a> {
    submission: &'static str,
    file: String,
    production: String,
    asset: &'a str,
    /// The revision's label; of what the service had, the label that it has it under.
    label: &'a str,
    /// `stored`, `known`, `queued`, `refused`, `unreached` or `stopped`.
    outcome: &'static str,
    verdict: Option<Verdict>,
    counts: Option<Counts>,
    /// What the gate says.
    passed: Option<bool>,
    change: Option<&'a Change>,
    #[serde(skip_serializing_if = "Option::is_none")]
    job: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<&'a str>,
}

/// The run's exit code: the worst, and broken input (2) beats everything, a service that is not reached (3) a gate (1).
pub(super) fn worst(codes: impl Iterator<Item = u8>) -> u8 {
    let rank = |code: &u8| match *code {
        0 => 0,
        exit::GATE => 1,
        exit::SERVICE => 2,
        exit::INPUT => 3,
        _ => 4,
    };
    codes.max_by_key(rank).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn broken_input_beats_a_service_that_beats_a_gate() {
        let of = |codes: &[u8]| worst(codes.iter().copied());
        assert_eq!(of(&[]), 0);
        assert_eq!(of(&[0, 1, 0]), 1);
        assert_eq!(of(&[1, 3, 0]), 3);
        assert_eq!(of(&[3, 2, 1]), 2);
        assert_eq!(of(&[2, exit::STOPPED]), exit::STOPPED);
    }
}
