//! A run for people and for programs.

use std::io::Write as _;

use condyle_core::render::{self, Item, Style, Unread};
use condyle_core::report::Verdict;

use super::link::Failure;
use super::outcome::{Became, Outcome};
use crate::forms::{Form, told};
use crate::gate::Threshold;

/// How a run is printed.
#[derive(Debug, Clone)]
pub(super) struct Print {
    pub(super) form: Form,
    pub(super) production: String,
    pub(super) fail_on: Threshold,
    pub(super) explain: bool,
    pub(super) quiet: bool,
}

impl Print {
    /// A file is done: what is printed line by line is printed now.
    pub(super) fn one(&self, outcome: &Outcome) {
        if self.form == Form::Ndjson
            && let Ok(line) = serde_json::to_string(&outcome.line(&self.production, self.fail_on))
        {
            let _ = writeln!(anstream::stdout(), "{line}");
        }
    }

    /// All are done.
    pub(super) fn all(&self, outcomes: &[Outcome]) {
        if self.form.is_document() {
            let paths: Vec<String> =
                outcomes.iter().map(|one| one.errand.path.to_string_lossy().into_owned()).collect();
            let items: Vec<Item<'_>> = outcomes
                .iter()
                .zip(&paths)
                .filter_map(|(one, path)| {
                    let previous = one.previous.as_deref();
                    let source = one.text.as_deref();
                    Some(Item { previous, source, ..Item::new(path, one.report.as_deref()?) })
                })
                .collect();
            let unread: Vec<Unread<'_>> = outcomes
                .iter()
                .zip(&paths)
                .filter_map(|(one, path)| match &one.became {
                    Became::Failed(failure) => Some(Unread { path, reason: failure.text() }),
                    _ => None,
                })
                .collect();
            let _ =
                write!(anstream::stdout(), "{}", self.form.document(&items, &unread, outcomes.len() == 1));
        } else if self.form == Form::Text {
            self.text(outcomes);
        }
        for one in outcomes {
            if let Became::Failed(failure) = &one.became {
                told(&format!("{}: {}", one.errand.path.display(), failure.text()));
            }
        }
        // Where a document is printed, people still want to know what was not sent.
        let known = outcomes.iter().filter(|one| matches!(one.became, Became::Known(_))).count();
        if self.form.is_document() && known > 0 && !self.quiet {
            told(&format!("{known} of {} files were known to the service and not sent", outcomes.len()));
        }
    }

    fn text(&self, outcomes: &[Outcome]) {
        // anstream strips the colours where the reader is no terminal.
        let mut out = anstream::stdout().lock();
        let style = Style { colour: true, explain: self.explain };
        let single = outcomes.len() == 1;
        for one in outcomes {
            let passes = one.code(self.fail_on) == 0;
            if self.quiet && passes {
                continue;
            }
            if let Became::Queued(place) = &one.became {
                let _ = writeln!(out, "{place}");
            }
            if let Some(report) = one.report.as_ref().filter(|_| single || !passes) {
                let _ = writeln!(out, "{}", render::text(report, style));
            }
            if one.verdict.is_some() {
                let _ = writeln!(out, "{}", summary(one));
            }
        }
        if !single && !self.quiet {
            let _ = writeln!(out, "{}", totals(outcomes));
        }
    }
}

/// One file in a line: verdict, asset, revision, and what changed.
fn summary(one: &Outcome) -> String {
    let word = match one.verdict {
        Some(Verdict::Pass) => "PASS",
        Some(Verdict::Warn) => "WARN",
        Some(Verdict::Fail) => "FAIL",
        None => "    ",
    };
    let what = match (&one.became, &one.change) {
        (Became::Known(label), _) if *label != one.label => {
            format!("the service already has this file as {label}; nothing was sent")
        }
        (Became::Known(_), Some(change)) => format!("was there, nothing was sent; {}", change.words()),
        (Became::Known(_), None) => "was there, nothing was sent".to_owned(),
        (_, Some(change)) => change.words(),
        (_, None) if one.first => "the first revision".to_owned(),
        (_, None) => "no baseline to compare with".to_owned(),
    };
    let label = match &one.became {
        Became::Known(label) => label,
        _ => &one.label,
    };
    format!("{word} {} {label}: {what}", one.errand.asset)
}

fn totals(outcomes: &[Outcome]) -> String {
    let count = |is: &dyn Fn(&Outcome) -> bool| outcomes.iter().filter(|one| is(one)).count();
    let verdict = |verdict: Verdict| count(&|one| one.verdict == Some(verdict));
    let mut text = format!(
        "{} files: {} pass, {} warn, {} fail · {} sent, {} known",
        outcomes.len(),
        verdict(Verdict::Pass),
        verdict(Verdict::Warn),
        verdict(Verdict::Fail),
        count(&|one| matches!(one.became, Became::Stored | Became::Queued(_))),
        count(&|one| matches!(one.became, Became::Known(_))),
    );
    let (new, fixed) = outcomes
        .iter()
        .filter_map(|one| one.change.as_ref().filter(|_| matches!(one.became, Became::Stored)))
        .fold((0, 0), |(new, fixed), change| (new + change.new, fixed + change.fixed));
    text.push_str(&format!(" · {new} new, {fixed} fixed"));
    for (number, word) in [
        (count(&|one| matches!(one.became, Became::Failed(Failure::Input(_)))), "refused"),
        (count(&|one| matches!(one.became, Became::Failed(Failure::Service(_)))), "not reached"),
        (count(&|one| matches!(one.became, Became::Stopped)), "not done"),
    ] {
        if number > 0 {
            text.push_str(&format!(" · {number} {word}"));
        }
    }
    text
}
