//! One service, and how it is asked: again where that helps, and never with a word about the token.

use std::time::{Duration, Instant};

use condyle_api::{Job, JobState, Problem};
use reqwest::{Client, RequestBuilder, Response, StatusCode, Url};
use serde::de::DeserializeOwned;

use super::pace::{Pace, asked, pause};
use crate::forms::told;

/// Seconds that one request waits for a job.
const WAIT_S: u64 = 20;

/// Why there is no answer.
#[derive(Debug, Clone)]
pub(super) enum Failure {
    /// The file, or what was asked, is wrong.
    Input(String),
    /// The service cannot be reached, or does not answer in time.
    Service(String),
}

impl Failure {
    pub(super) fn text(&self) -> &str {
        let (Self::Input(text) | Self::Service(text)) = self;
        text
    }
}

/// A service.
pub(super) struct Link {
    pub(super) client: Client,
    pub(super) server: Url,
    /// Tries that one request gets where the service cannot be reached.
    pub(super) retries: u32,
    /// Tell every request: its method, address, status and time, and no header of it.
    pub(super) verbose: bool,
    pub(super) pace: Pace,
}

impl Link {
    /// The address of something on the service.
    pub(super) fn at(&self, segments: &[&str]) -> Result<Url, Failure> {
        let mut url = self.server.clone();
        let wrong = || Failure::Input(format!("{} is no address of a service", self.server));
        url.path_segments_mut().map_err(|()| wrong())?.pop_if_empty().extend(segments);
        Ok(url)
    }

    /// Reads JSON.
    pub(super) async fn json<T: DeserializeOwned>(&self, url: &Url, end: Instant) -> Result<T, Failure> {
        let answer = self.send(end, |client| client.get(url.clone())).await?;
        answer.json().await.map_err(broken)
    }

    /// Reads JSON, where it is there.
    pub(super) async fn found<T: DeserializeOwned>(
        &self,
        url: &Url,
        end: Instant,
    ) -> Result<Option<T>, Failure> {
        match self.try_send(end, |client| client.get(url.clone())).await? {
            Ok(answer) => answer.json().await.map(Some).map_err(broken),
            Err((StatusCode::NOT_FOUND, _)) => Ok(None),
            Err((status, problem)) => Err(failure(status, problem)),
        }
    }

    /// Sends until there is an answer, which must be a success. Sending twice changes nothing: the same bytes under one
    /// label are one revision.
    pub(super) async fn send(
        &self,
        end: Instant,
        request: impl Fn(&Client) -> RequestBuilder,
    ) -> Result<Response, Failure> {
        self.try_send(end, request).await?.map_err(|(status, problem)| failure(status, problem))
    }

    /// The same, where a refusal is an answer, too.
    async fn try_send(
        &self,
        end: Instant,
        request: impl Fn(&Client) -> RequestBuilder,
    ) -> Result<Result<Response, (StatusCode, Option<Problem>)>, Failure> {
        let (mut tries, mut unreached) = (0_u32, 0_u32);
        loop {
            let held = self.pace.left();
            if !held.is_zero() {
                tokio::time::sleep(held.min(end.saturating_duration_since(Instant::now()))).await;
            }
            let left = end.saturating_duration_since(Instant::now()).max(Duration::from_millis(1));
            let begun = Instant::now();
            let request = request(&self.client).timeout(left).build();
            let request = request.map_err(|error| Failure::Input(error.without_url().to_string()))?;
            let (method, url) = (request.method().clone(), request.url().clone());
            let answer = self.client.execute(request).await;
            self.trace(&format!("{method} {url}"), answer.as_ref().map(Response::status).ok(), begun);
            let (why, wait) = match answer {
                Ok(answer) if answer.status().is_success() => return Ok(Ok(answer)),
                Ok(answer) => {
                    let status = answer.status();
                    let passing = matches!(status.as_u16(), 408 | 425 | 429 | 502 | 503 | 504 | 507);
                    let said = asked(answer.headers(), jiff::Timestamp::now());
                    let problem = answer.json::<Problem>().await.ok();
                    if !passing {
                        return Ok(Err((status, problem)));
                    }
                    let wait = said.unwrap_or_else(|| pause(tries));
                    if said.is_some() && matches!(status.as_u16(), 429 | 503) {
                        self.pace.hold(Instant::now() + wait);
                    }
                    (problem.as_ref().map_or_else(|| status.to_string(), words), wait)
                }
                Err(error) => {
                    unreached += 1;
                    let why = format!("{} cannot be reached: {}", self.server, cause(&error));
                    if unreached > self.retries {
                        return Err(Failure::Service(why));
                    }
                    (why, pause(tries))
                }
            };
            tries += 1;
            if Instant::now() + wait >= end {
                return Err(Failure::Service(why));
            }
            if self.verbose {
                told(&format!("{why}; again in {:.1} s", wait.as_secs_f64()));
            }
            tokio::time::sleep(wait).await;
        }
    }

    fn trace(&self, what: &str, status: Option<StatusCode>, begun: Instant) {
        if self.verbose {
            let status = status.map_or("no answer".to_owned(), |status| status.as_u16().to_string());
            told(&format!("{what} → {status} in {:.2} s", begun.elapsed().as_secs_f64()));
        }
    }

    /// Waits for a job to be done.
    pub(super) async fn wait(&self, id: &str, end: Instant) -> Result<(), Failure> {
        let place = self.at(&["v1", "jobs", id])?;
        loop {
            let left = end.saturating_duration_since(Instant::now()).as_secs();
            let prefer = format!("wait={}", WAIT_S.min(left));
            let answer = self.send(end, |client| client.get(place.clone()).header("prefer", &prefer)).await?;
            let job: Job = answer.json().await.map_err(broken)?;
            match (job.state, job.problem) {
                (JobState::Done, _) => return Ok(()),
                (JobState::Dead, Some(problem)) if problem.status >= 500 => {
                    return Err(Failure::Service(words(&problem)));
                }
                (JobState::Dead, problem) => {
                    let text = problem.as_ref().map_or_else(|| "the job was given up".into(), words);
                    return Err(Failure::Input(text));
                }
                (JobState::Cancelled, _) => return Err(Failure::Input("the job was cancelled".into())),
                _ if left == 0 => {
                    return Err(Failure::Service(format!(
                        "the job is not over in time; it goes on: {place}"
                    )));
                }
                _ => {}
            }
        }
    }

    /// What a request that may wait for its job says.
    pub(super) fn prefer(wait: bool, end: Instant) -> String {
        if !wait {
            return "respond-async".to_owned();
        }
        let left = end.saturating_duration_since(Instant::now()).as_secs();
        format!("respond-async, wait={}", WAIT_S.min(left))
    }
}

pub(super) fn broken(error: reqwest::Error) -> Failure {
    Failure::Service(format!("the service's answer cannot be read: {}", cause(&error)))
}

fn failure(status: StatusCode, problem: Option<Problem>) -> Failure {
    let text = problem.as_ref().map_or_else(|| status.to_string(), words);
    if status.is_server_error() { Failure::Service(text) } else { Failure::Input(text) }
}

/// An error with what is behind it: the top of the chain only says that sending failed.
fn cause(error: &reqwest::Error) -> String {
    if error.is_timeout() {
        return "no answer in time".into();
    }
    let mut last: &dyn std::error::Error = error;
    while let Some(next) = last.source() {
        last = next;
    }
    last.to_string()
}

fn words(problem: &Problem) -> String {
    let mut text = format!("{}: {}", problem.title, problem.detail);
    if let Some(file) = &problem.file {
        text.push_str(&format!(" (in {file})"));
    }
    if let Some(pointer) = problem.pointer.as_ref().filter(|pointer| !pointer.is_empty()) {
        text.push_str(&format!(" (at {pointer})"));
    }
    if let Some(offset) = problem.byte_offset {
        text.push_str(&format!(" (at byte {offset})"));
    }
    if let Some(near) = &problem.suggestion {
        text.push_str(&format!(" (did you mean {near}?)"));
    }
    if let Some(incident) = &problem.incident {
        text.push_str(&format!(" (incident {incident})"));
    }
    text
}
