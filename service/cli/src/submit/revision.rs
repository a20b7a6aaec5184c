//! One file's way to the service: known already? sent, waited for, its report read, and held against the one before.

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use condyle_api::{Asset, Job, Policy, Revision};
use condyle_core::difference::Difference;
use condyle_core::intake;
use condyle_core::report::Report;
use futures_util::stream;
use indicatif::ProgressBar;
use reqwest::header::ETAG;
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
    let replaced = match &wishes.if_match {
        Some(tag) => Some(tag.clone()),
        None => match place.has(latest.as_ref(), &label, &digest, wishes).await? {
            Has::Answer(known) if !wishes.always => {
                let outcome = place.as_known(errand, *known, label, wishes).await?;
                return Ok(Outcome { text, ..outcome });
            }
            Has::Otherwise => place.tag(&label, &digest).await?,
            Has::Answer(_) | Has::Nothing => None,
        },
    };
    if let Some(job) = place.send(&input, &label, replaced.as_deref(), wishes, bar).await? {
        if !wishes.wait {
            let at = link.at(&["v1", "jobs", &job.id])?;
            return Ok(Outcome::new(errand, label, Became::Queued(at.to_string())));
        }
        link.wait(&job.id, end).await?;
    } else if !wishes.wait {
        let at = place.at(&["revisions", &label])?;
        return Ok(Outcome::new(errand, label, Became::Queued(at.to_string())));
    }
    let report = place.answered(&label, wishes.fail_on).await?;
    if let Some(other) = place.otherwise(&report.profile.name, &report.catalogue, wishes).await? {
        return Err(Failure::Input(format!("the service has these bytes as {label}, judged by the {other}")));
    }
    let change = place.change(&label).await?;
    let previous = place.previous(change.as_ref(), wishes).await?;
    let outcome = Outcome::new(errand, label, Became::Stored).with(report);
    Ok(Outcome { text, previous, change, first: latest.is_none(), ..outcome })
}

/// Reads and digests a file with what lies beside it.
fn read(path: PathBuf) -> Result<(Arc<Input>, String), String> {
    let input = Input::read(&path).map_err(|error| error.to_string())?;
    let digest = intake::input_digest(&input.bundle());
    Ok((Arc::new(input), digest))
}

/// What a service has of a file.
enum Has {
    /// Nothing that answers.
    Nothing,
    /// These bytes, judged as is asked for.
    Answer(Box<Revision>),
    /// These bytes under the label, judged by another profile or catalogue than is asked for.
    Otherwise,
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

    /// What there is of these bytes: under the label, else, where nothing has it, as the latest revision.
    async fn has(
        &self,
        latest: Option<&Asset>,
        label: &str,
        digest: &str,
        wishes: &Wishes,
    ) -> Result<Has, Failure> {
        let Some(latest) = latest.map(|asset| &asset.latest) else { return Ok(Has::Nothing) };
        let there = if latest.label == label {
            Some(latest.clone())
        } else {
            self.link.found(&self.at(&["revisions", label])?, self.end).await?
        };
        let labelled = there.is_some();
        let there = there.unwrap_or_else(|| latest.clone());
        if there.input_sha256 != digest {
            // Other bytes under the label: the service says what is to be done about it.
            return Ok(Has::Nothing);
        }
        Ok(match self.otherwise(&there.profile, &there.catalogue, wishes).await? {
            None => Has::Answer(Box::new(there)),
            Some(_) if labelled => Has::Otherwise,
            Some(_) => Has::Nothing,
        })
    }

    /// What something was judged by, where that is not what is asked for: "profile realtime, and not by film". What the
    /// production agreed on beats what is asked for.
    async fn otherwise(
        &self,
        profile: &str,
        catalogue: &str,
        wishes: &Wishes,
    ) -> Result<Option<String>, Failure> {
        let asked = [
            ("profile", wishes.profile.as_deref(), profile),
            ("catalogue", wishes.catalogue.as_deref(), catalogue),
        ];
        if asked.iter().all(|(_, wish, is)| wish.is_none_or(|wish| wish == *is)) {
            return Ok(None);
        }
        let place = self.link.at(&["v1", "productions", self.production, "policy"])?;
        let policy: Policy = self.link.json(&place, self.end).await?;
        let agreed = [policy.profile.as_deref(), policy.catalogue.as_deref()];
        Ok(asked.into_iter().zip(agreed).find_map(|((what, wish, is), agreed)| {
            let due = agreed.unwrap_or(wish?);
            (due != is).then(|| format!("{what} {is}, and not by {due}"))
        }))
    }

    /// The tag of the revision of the label, while it holds these bytes: with it the service judges them anew.
    async fn tag(&self, label: &str, digest: &str) -> Result<Option<String>, Failure> {
        let url = self.at(&["revisions", label])?;
        let answer = self.link.send(self.end, |client| client.get(url.clone())).await?;
        let tag = answer.headers().get(ETAG).and_then(|tag| tag.to_str().ok()).map(str::to_owned);
        let there: Revision = answer.json().await.map_err(broken)?;
        Ok(tag.filter(|_| there.input_sha256 == digest))
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

    /// Sends the bytes, in the place of the revision of a tag where there is one; the job, where the answer is not there
    /// yet.
    async fn send(
        &self,
        input: &Arc<Input>,
        label: &str,
        replaced: Option<&str>,
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
                if let Some(tag) = replaced {
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

    /// What changed against the production's baseline, else against the revision before; nothing where neither is
    /// there.
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
