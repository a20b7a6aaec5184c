//! `condyle submit`: sends a file to the service as a revision, waits for the report, and exits by the gate.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use condyle_api::{Job, JobState, Problem};
use condyle_core::intake::Upload;
use condyle_core::render;
use condyle_core::report::{Report, Verdict};
use reqwest::multipart::{Form, Part};
use reqwest::{Client, RequestBuilder, Response, StatusCode, Url};

use crate::exit;
use crate::inputs::Input;

/// Seconds that one request waits for the job.
const WAIT_S: u64 = 20;
/// Between two attempts to reach the service, where it does not say.
const PAUSE: Duration = Duration::from_secs(1);

/// Send a file to the service as a revision, and wait for its report.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// A model or a plan; buffers and the body that it names are sent along when they lie beside it.
    file: PathBuf,
    /// Where the service is.
    #[arg(long, env = "CONDYLE_SERVER", default_value = "http://127.0.0.1:4791")]
    server: Url,
    /// The show.
    #[arg(long)]
    production: String,
    /// The asset.
    #[arg(long)]
    asset: String,
    /// What the revision is called.
    #[arg(long)]
    label: String,
    /// A build waits for it: it goes before everything in bulk.
    #[arg(long)]
    gate: bool,
    /// The version of the catalogue to be judged by, where the production has not agreed on one.
    #[arg(long)]
    catalogue: Option<String>,
    /// The profile to be judged by, where the production has not agreed on one.
    #[arg(long)]
    profile: Option<String>,
    /// Replace the revision under the label if it has this ETag (`*`: any).
    #[arg(long)]
    if_match: Option<String>,
    /// What closes the gate.
    #[arg(long, value_enum, default_value_t = Threshold::Error)]
    fail_on: Threshold,
    /// Seconds to wait for the service and for the report.
    #[arg(long, default_value_t = 600)]
    timeout: u64,
    /// Do not wait: print the address of the job when the service has the file safe.
    #[arg(long)]
    no_wait: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Say why each finding matters and where its rule comes from.
    #[arg(long)]
    explain: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Threshold {
    Error,
    Warning,
    Never,
}

impl Threshold {
    fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Never => "never",
        }
    }

    /// What the gate says to a verdict.
    fn passes(self, verdict: Verdict) -> bool {
        match self {
            Self::Error => verdict != Verdict::Fail,
            Self::Warning => verdict == Verdict::Pass,
            Self::Never => true,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people.
    Text,
    /// The report.
    Json,
    /// SARIF 2.1.0.
    Sarif,
    /// JUnit XML, for build servers.
    Junit,
    /// Markdown, for a comment on a change.
    Markdown,
}

/// Why there is no report.
enum Failure {
    /// The file, or what was asked, is wrong.
    Input(String),
    /// The service cannot be reached, or does not answer in time.
    Service(String),
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => return told(&error.to_string(), exit::SERVICE),
    };
    match runtime.block_on(submit(arguments)) {
        Ok(None) => ExitCode::SUCCESS,
        Ok(Some(report)) => {
            print(arguments, &report);
            if arguments.fail_on.passes(report.verdict) {
                ExitCode::SUCCESS
            } else {
                ExitCode::from(exit::GATE)
            }
        }
        Err(Failure::Input(text)) => told(&text, exit::INPUT),
        Err(Failure::Service(text)) => told(&text, exit::SERVICE),
    }
}

fn told(text: &str, code: u8) -> ExitCode {
    let _ = writeln!(anstream::stderr(), "condyle: {text}");
    ExitCode::from(code)
}

/// The report, or nothing where nobody waits for it.
async fn submit(arguments: &Arguments) -> Result<Option<Report>, Failure> {
    let input = Input::read(&arguments.file)
        .map_err(|error| Failure::Input(format!("{}: {error}", arguments.file.display())))?;
    let client = crate::service::client(&arguments.server, false).map_err(Failure::Input)?;
    let service =
        Service { client, server: arguments.server.clone(), end: Instant::now() + seconds(arguments) };
    let address = service.at(&[
        "v1",
        "assets",
        &arguments.production,
        &arguments.asset,
        "revisions",
        &arguments.label,
    ])?;
    let mut url = address.clone();
    url.query_pairs_mut()
        .append_pair("fail_on", arguments.fail_on.word())
        .append_pair("priority", if arguments.gate { "gate" } else { "bulk" })
        .extend_pairs(arguments.profile.iter().map(|name| ("profile", name)))
        .extend_pairs(arguments.catalogue.iter().map(|version| ("catalogue", version)));
    let prefer = if arguments.no_wait {
        "respond-async".to_owned()
    } else {
        format!("respond-async, wait={}", WAIT_S.min(arguments.timeout))
    };
    let answer = service
        .send(|client| {
            let mut request = client.put(url.clone()).header("prefer", &prefer);
            if let Some(tag) = &arguments.if_match {
                request = request.header("if-match", tag);
            }
            request.multipart(form(&input))
        })
        .await?;
    if answer.status() == StatusCode::ACCEPTED {
        let job: Job = answer.json().await.map_err(broken)?;
        if arguments.no_wait {
            let place = service.at(&["v1", "jobs", &job.id])?;
            let _ = writeln!(anstream::stdout(), "{place}");
            return Ok(None);
        }
        service.wait(&job.id).await?;
    } else if arguments.no_wait {
        let _ = writeln!(anstream::stdout(), "{address}");
        return Ok(None);
    }
    let report = service.at(&[
        "v1",
        "assets",
        &arguments.production,
        &arguments.asset,
        "revisions",
        &arguments.label,
        "report",
    ])?;
    let answer = service.send(|client| client.get(report.clone())).await?;
    answer.json().await.map(Some).map_err(broken)
}

fn seconds(arguments: &Arguments) -> Duration {
    Duration::from_secs(arguments.timeout.min(86_400))
}

fn broken(error: reqwest::Error) -> Failure {
    Failure::Service(format!("the service's answer cannot be read: {error}"))
}

fn form(input: &Input) -> Form {
    let bundle = input.bundle();
    let part = |upload: &Upload<'_>| Part::bytes(upload.bytes.to_vec()).file_name(upload.name.to_owned());
    let mut form = Form::new();
    if let Some(plan) = &bundle.plan {
        form = form.part("plan", part(plan));
    }
    if let Some(model) = &bundle.model {
        form = form.part("model", part(model));
    }
    for file in &bundle.files {
        form = form.part("file", part(file));
    }
    form
}

/// A service, and how long there is time for it.
struct Service {
    client: Client,
    server: Url,
    end: Instant,
}

impl Service {
    fn at(&self, segments: &[&str]) -> Result<Url, Failure> {
        let mut url = self.server.clone();
        let wrong = || Failure::Input(format!("{} is no address of a service", self.server));
        url.path_segments_mut().map_err(|()| wrong())?.pop_if_empty().extend(segments);
        Ok(url)
    }

    /// Sends until there is an answer. Sending twice changes nothing: the same bytes under one label are one revision.
    async fn send(&self, request: impl Fn(&Client) -> RequestBuilder) -> Result<Response, Failure> {
        loop {
            let left = self.end.saturating_duration_since(Instant::now());
            let patience = left.max(Duration::from_millis(1));
            let (why, pause) = match request(&self.client).timeout(patience).send().await {
                Ok(answer) if answer.status().is_success() => return Ok(answer),
                Ok(answer) => {
                    let passing = matches!(answer.status().as_u16(), 429 | 502 | 503 | 504 | 507);
                    let pause = answer.headers().get("retry-after").and_then(|value| value.to_str().ok());
                    let pause = pause.and_then(|text| text.parse().ok()).map_or(PAUSE, Duration::from_secs);
                    let status = answer.status();
                    let text = match answer.json::<Problem>().await {
                        Ok(problem) => words(&problem),
                        Err(_) => status.to_string(),
                    };
                    if !passing {
                        let ours = status.is_server_error();
                        return Err(if ours { Failure::Service(text) } else { Failure::Input(text) });
                    }
                    (text, pause)
                }
                Err(error) => (format!("{} cannot be reached: {error}", self.server), PAUSE),
            };
            if Instant::now() + pause >= self.end {
                return Err(Failure::Service(why));
            }
            tokio::time::sleep(pause).await;
        }
    }

    /// Waits for a job to be done.
    async fn wait(&self, id: &str) -> Result<(), Failure> {
        let place = self.at(&["v1", "jobs", id])?;
        loop {
            let left = self.end.saturating_duration_since(Instant::now()).as_secs();
            let prefer = format!("wait={}", WAIT_S.min(left));
            let answer = self.send(|client| client.get(place.clone()).header("prefer", &prefer)).await?;
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
}

fn words(problem: &Problem) -> String {
    let mut text = format!("{}: {}", problem.title, problem.detail);
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

fn print(arguments: &Arguments, report: &Report) {
    let name = arguments.file.to_string_lossy();
    let items = [render::Item::new(&name, report)];
    let text = match arguments.format {
        Format::Text => {
            let text = render::text(report, render::Style { colour: true, explain: arguments.explain });
            format!("{text}\n")
        }
        Format::Json => {
            serde_json::to_string_pretty(report).map(|text| format!("{text}\n")).unwrap_or_default()
        }
        Format::Sarif => render::sarif(&items),
        Format::Junit => render::junit(&items),
        Format::Markdown => render::markdown(&items),
    };
    // anstream strips the colours where the reader is no terminal.
    let _ = write!(anstream::stdout(), "{text}");
}
