//! One file's way to the service: known already? sent, waited for, its report read, and held against the one before.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use condyle_api::{Asset, Job, Revision};
use condyle_core::difference::Difference;
use condyle_core::intake;
use condyle_core::report::Report;
use futures_util::stream;
use indicatif::ProgressBar;
use reqwest::multipart::{Form, Part};
use reqwest::{Body, StatusCode, Url};

use super::errand::Errand;
use super::link::{Failure, Link, broken};
use super::names;
use super::outcome::{Became, Change, Outcome};
use crate::gate::Threshold;
use crate::inputs::{Input, Named};

/// Bytes that are handed over at once; progress is told in such steps.
const STEP: usize = 64 * 1024;

/// What is asked of every file.
#[derive(Debug, Clone)]
#[expect(clippy::struct_excessive_bools, reason = "each is a wish of its own")]
pub(super) struct Wishes {
    pub(super) production: String,
    pub(super) gate: bool,
    pub(super) wait: bool,
    /// Send what the service has, too.
    pub(super) always: bool,
    pub(super) profile: Option<String>,
    pub(super) catalogue: Option<String>,
    pub(super) if_match: Option<String>,
    pub(super) fail_on: Threshold,
    /// For one file.
    pub(super) timeout: Duration,
    /// Every report is printed; else those alone that close the gate.
    pub(super) reports: bool,
    /// The form tells new findings from known ones, and so needs the report before.
    pub(super) previous: bool,
    /// The form tells fixes as changes of the text.
    pub(super) text: bool,
}

/// Takes a file to the service.
pub(super) async fn take(errand: &Errand, link: &Link, wishes: &Wishes, bar: &ProgressBar) -> Outcome {
    match way(errand, link, wishes, bar).await {
        Ok(outcome) => outcome,
        Err(failure) => Outcome::failed(errand, failure),
    }
}

async fn way(errand: &Errand, link: &Link, wishes: &Wishes, bar: &ProgressBar) -> Result<Outcome, Failure> {
    let end = Instant::now() + wishes.timeout;
    let path = errand.path.clone();
    let read = tokio::task::spawn_blocking(move || read(path)).await;
    let (input, digest) = read.map_err(|error| Failure::Input(error.to_string()))?.map_err(Failure::Input)?;
    let text = input.text().filter(|_| wishes.text).map(str::to_owned);
    let label = errand.label.clone().unwrap_or_else(|| names::label(&digest));
    let place = Place { link, production: &wishes.production, asset: &errand.asset, end };
    let latest: Option<Asset> = link.found(&place.at(&[])?, end).await?;
    if !wishes.always
        && wishes.if_match.is_none()
        && let Some(known) = place.known(latest.as_ref(), &label, &digest, wishes).await?
    {
        let outcome = place.as_known(errand, known, label, wishes).await?;
        return Ok(Outcome { text, ..outcome });
    }
    if let Some(job) = place.send(&input, &label, wishes, bar).await? {
        if !wishes.wait {
            let at = link.at(&["v1", "jobs", &job.id])?;
            return Ok(Outcome::new(errand, label, Became::Queued(at.to_string())));
        }
        link.wait(&job.id, end).await?;
    } else if !wishes.wait {
        let at = place.at(&["revisions", &label])?;
        return Ok(Outcome::new(errand, label, Became::Queued(at.to_string())));
    }
    let (change, report) = (place.change(&label).await?, place.answered(&label, wishes.fail_on).await?);
    let previous = place.previous(change.as_ref(), wishes).await?;
    Ok(Outcome { text, previous, change, ..Outcome::new(errand, label, Became::Stored).with(report) })
}

/// Reads and digests a file with what lies beside it.
fn read(path: PathBuf) -> Result<(Arc<Input>, String), String> {
    let input = Input::read(&path).map_err(|error| error.to_string())?;
    let digest = intake::input_digest(&input.bundle());
    Ok((Arc::new(input), digest))
}

/// An asset on a service.
struct Place<'a> {
    link: &'a Link,
    production: &'a str,
    asset: &'a str,
    end: Instant,
}

impl Place<'_> {
    fn at(&self, more: &[&str]) -> Result<Url, Failure> {
        let mut segments = vec!["v1", "assets", self.production, self.asset];
        segments.extend(more);
        self.link.at(&segments)
    }

    /// The revision that holds these bytes: the one of the label, else the latest, unless that was judged by another
    /// profile or catalogue than is asked for.
    async fn known(
        &self,
        latest: Option<&Asset>,
        label: &str,
        digest: &str,
        wishes: &Wishes,
    ) -> Result<Option<Revision>, Failure> {
        let Some(latest) = latest.map(|asset| &asset.latest) else { return Ok(None) };
        let judged = |revision: &Revision| {
            wishes.profile.as_ref().is_none_or(|profile| *profile == revision.profile)
                && wishes.catalogue.as_ref().is_none_or(|version| *version == revision.catalogue)
        };
        if latest.label == label {
            // Other bytes: the service says what is to be done about it.
            return Ok((latest.input_sha256 == digest).then(|| latest.clone()));
        }
        let there: Option<Revision> = self.link.found(&self.at(&["revisions", label])?, self.end).await?;
        match there {
            Some(there) => Ok((there.input_sha256 == digest).then_some(there)),
            None => Ok((latest.input_sha256 == digest && judged(latest)).then(|| latest.clone())),
        }
    }

    /// What is there already. Of thousands, only what somebody reads is asked for: a difference costs the service two
    /// rigs.
    async fn as_known(
        &self,
        errand: &Errand,
        known: Revision,
        label: String,
        wishes: &Wishes,
    ) -> Result<Outcome, Failure> {
        let (verdict, counts) = (Some(known.verdict), Some(known.counts));
        let change = if wishes.previous { self.change(&known.label).await? } else { None };
        let previous = self.previous(change.as_ref(), wishes).await?;
        let report = if wishes.reports || !wishes.fail_on.passes(known.verdict) {
            Some(self.answered(&known.label, wishes.fail_on).await?)
        } else {
            None
        };
        let change = change.filter(|_| known.label == label);
        let became = Became::Known(known.label);
        Ok(Outcome { verdict, counts, report, previous, change, ..Outcome::new(errand, label, became) })
    }

    /// Sends the bytes; the job, where the answer is not there yet.
    async fn send(
        &self,
        input: &Arc<Input>,
        label: &str,
        wishes: &Wishes,
        bar: &ProgressBar,
    ) -> Result<Option<Job>, Failure> {
        let mut url = self.at(&["revisions", label])?;
        url.query_pairs_mut()
            .append_pair("fail_on", wishes.fail_on.word())
            .append_pair("priority", if wishes.gate { "gate" } else { "bulk" })
            .extend_pairs(wishes.profile.iter().map(|name| ("profile", name)))
            .extend_pairs(wishes.catalogue.iter().map(|version| ("catalogue", version)));
        let prefer = Link::prefer(wishes.wait, self.end);
        let answer = self
            .link
            .send(self.end, |client| {
                let mut request = client.put(url.clone()).header("prefer", &prefer);
                if let Some(tag) = &wishes.if_match {
                    request = request.header("if-match", tag);
                }
                request.multipart(form(input, bar))
            })
            .await?;
        if answer.status() == StatusCode::ACCEPTED {
            return answer.json().await.map(Some).map_err(broken);
        }
        Ok(None)
    }

    async fn report(&self, label: &str) -> Result<Box<Report>, Failure> {
        self.link.json(&self.at(&["revisions", label, "report"])?, self.end).await.map(Box::new)
    }

    /// The report with the answer of the gate that is asked for here: the stored one may have been sent with another.
    async fn answered(&self, label: &str, fail_on: Threshold) -> Result<Box<Report>, Failure> {
        let mut report = self.report(label).await?;
        report.gate.fail_on = fail_on.fail_on();
        report.gate.passed = fail_on.passes(report.verdict);
        Ok(report)
    }

    /// What changed against the production's baseline, else against the revision before; nothing for a first one.
    async fn change(&self, label: &str) -> Result<Option<Change>, Failure> {
        let mut url = self.at(&["difference"])?;
        url.query_pairs_mut().append_pair("to", label);
        let difference: Option<Difference> = self.link.found(&url, self.end).await?;
        Ok(difference.as_ref().map(Change::of))
    }

    async fn previous(
        &self,
        change: Option<&Change>,
        wishes: &Wishes,
    ) -> Result<Option<Box<Report>>, Failure> {
        match change.filter(|_| wishes.previous) {
            Some(change) => self.report(&change.against).await.map(Some),
            None => Ok(None),
        }
    }
}

/// The files as a form whose bytes are counted as they go.
fn form(input: &Arc<Input>, bar: &ProgressBar) -> Form {
    bar.set_length(input.parts().map(|(_, file)| file.bytes.len() as u64).sum());
    bar.set_position(0);
    input.parts().fold(Form::new(), |form, (name, file)| form.part(name, part(file, bar)))
}

fn part(file: &Named, bar: &ProgressBar) -> Part {
    let (bytes, bar) = (Arc::clone(&file.bytes), bar.clone());
    let length = bytes.len();
    let steps = (0..length.div_ceil(STEP)).map(move |step| {
        let chunk = &bytes[step * STEP..(step * STEP + STEP).min(length)];
        bar.inc(chunk.len() as u64);
        Ok::<_, std::convert::Infallible>(chunk.to_vec())
    });
    Part::stream_with_length(Body::wrap_stream(stream::iter(steps)), length as u64)
        .file_name(file.name.clone())
}
