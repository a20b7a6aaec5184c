//! `condyle check`: reads, checks and prints, without a server.

use std::io::{IsTerminal as _, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use condyle_core::check::{Profile, Request, RequestError, Unobserved, builtin_names, run as run_checks};
use condyle_core::intake::{self, Limits};
use condyle_core::model::nearest;
use condyle_core::render;
use condyle_core::report::{FailOn, Report, Verdict};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::civil::Date;
use rayon::prelude::*;

use crate::exit;
use crate::inputs::{Input, collect};

/// Check plans and models here, without a server.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Files, or folders to walk for .glb, .gltf, .vrm and .plan.json.
    #[arg(required = true)]
    paths: Vec<PathBuf>,
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// Only these checks or families.
    #[arg(long, value_delimiter = ',')]
    only: Vec<String>,
    /// Not these checks or families.
    #[arg(long, value_delimiter = ',')]
    skip: Vec<String>,
    /// What closes the gate.
    #[arg(long, value_enum, default_value_t = Threshold::Error)]
    fail_on: Threshold,
    /// The date that waivers are judged by (UTC, YYYY-MM-DD); today unless said.
    #[arg(long)]
    as_of: Option<Date>,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Say why each finding matters and where its rule comes from.
    #[arg(long)]
    explain: bool,
    /// Print nothing but what fails, and no progress.
    #[arg(long, short)]
    quiet: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Threshold {
    Error,
    Warning,
    Never,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people.
    Text,
    /// One report, or a list of reports for several files.
    Json,
}

/// What became of one file.
enum Outcome {
    Report(Box<Report>),
    Broken(String),
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let fail = |text: String| {
        let _ = writeln!(anstream::stderr(), "condyle: {text}");
        ExitCode::from(exit::INPUT)
    };
    let profile = match profile(&arguments.profile) {
        Ok(profile) => profile,
        Err(text) => return fail(text),
    };
    let paths = match collect(&arguments.paths) {
        Ok(paths) if paths.is_empty() => return fail("there is no model and no plan in there".into()),
        Ok(paths) => paths,
        Err(text) => return fail(text),
    };
    let as_of =
        arguments.as_of.unwrap_or_else(|| jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date());
    let request = Request {
        only: arguments.only.clone(),
        skip: arguments.skip.clone(),
        fail_on: match arguments.fail_on {
            Threshold::Error => FailOn::Error,
            Threshold::Warning => FailOn::Warning,
            Threshold::Never => FailOn::Never,
        },
        ..Request::all(&profile, as_of)
    };
    let bar = progress(paths.len(), arguments.quiet);
    let outcomes: Vec<(PathBuf, Outcome)> = paths
        .into_par_iter()
        .map(|path| {
            let outcome = one(&path, &request);
            bar.inc(1);
            (path, outcome)
        })
        .collect();
    bar.finish_and_clear();
    print(arguments, &outcomes);
    let mut worst = 0;
    for (_, outcome) in &outcomes {
        worst = worst.max(match outcome {
            Outcome::Broken(_) => exit::INPUT,
            Outcome::Report(report) if !report.gate.passed => exit::GATE,
            Outcome::Report(_) => 0,
        });
    }
    ExitCode::from(worst)
}

fn one(path: &std::path::Path, request: &Request<'_>) -> Outcome {
    let input = match Input::read(path) {
        Ok(input) => input,
        Err(error) => return Outcome::Broken(error.to_string()),
    };
    let read = match intake::read(&input.bundle(), &Limits::default()) {
        Ok(read) => read,
        Err(fault) => return Outcome::Broken(fault.to_string()),
    };
    match run_checks(&read, request, &Unobserved) {
        Ok(report) => Outcome::Report(Box::new(report)),
        Err(RequestError::UnknownCheck(unknown)) => {
            let hint = unknown.suggestion.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
            Outcome::Broken(format!("no check and no family is called {}{hint}", unknown.id))
        }
        Err(RequestError::Waiver(error)) => {
            Outcome::Broken(format!("the waivers cannot be read: {} (at {})", error.message, error.pointer))
        }
    }
}

fn print(arguments: &Arguments, outcomes: &[(PathBuf, Outcome)]) {
    let mut out = anstream::stdout().lock();
    match arguments.format {
        Format::Json => {
            let reports: Vec<&Report> = outcomes
                .iter()
                .filter_map(|(_, outcome)| match outcome {
                    Outcome::Report(report) => Some(report.as_ref()),
                    Outcome::Broken(_) => None,
                })
                .collect();
            let text = match reports.as_slice() {
                [only] if outcomes.len() == 1 => serde_json::to_string_pretty(only),
                list => serde_json::to_string_pretty(list),
            };
            if let Ok(text) = text {
                let _ = writeln!(out, "{text}");
            }
        }
        Format::Text => {
            // anstream strips the colours where the reader is no terminal.
            let style = render::Style { colour: true, explain: arguments.explain };
            for (_, outcome) in outcomes {
                if let Outcome::Report(report) = outcome
                    && !(arguments.quiet && report.gate.passed)
                {
                    let _ = writeln!(out, "{}", render::text(report, style));
                }
            }
            if outcomes.len() > 1 && !arguments.quiet {
                let count = |verdict: Verdict| {
                    let is =
                        |o: &&(PathBuf, Outcome)| matches!(&o.1, Outcome::Report(r) if r.verdict == verdict);
                    outcomes.iter().filter(is).count()
                };
                let broken = outcomes.iter().filter(|(_, o)| matches!(o, Outcome::Broken(_))).count();
                let _ = writeln!(
                    out,
                    "{} files: {} pass, {} warn, {} fail, {broken} could not be read",
                    outcomes.len(),
                    count(Verdict::Pass),
                    count(Verdict::Warn),
                    count(Verdict::Fail)
                );
            }
        }
    }
    let mut err = anstream::stderr().lock();
    for (path, outcome) in outcomes {
        if let Outcome::Broken(text) = outcome {
            let _ = writeln!(err, "condyle: {}: {text}", path.display());
        }
    }
}

pub(crate) fn profile(name: &str) -> Result<Profile, String> {
    if let Some(profile) = Profile::builtin(name) {
        return Ok(profile);
    }
    let looks_like_path = name.contains(['/', '\\', '.']);
    if !looks_like_path {
        let hint =
            nearest(name, builtin_names()).map_or(String::new(), |near| format!(" (did you mean {near}?)"));
        return Err(format!("no profile is called {name}{hint}"));
    }
    let text = std::fs::read_to_string(name).map_err(|error| format!("{name}: {error}"))?;
    Profile::read(&text).map_err(|error| format!("{name}: {error}"))
}

fn progress(count: usize, quiet: bool) -> ProgressBar {
    if quiet || count < 8 || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(Some(count as u64), ProgressDrawTarget::stderr());
    let template = "{wide_bar} {pos} of {len} files";
    ProgressStyle::with_template(template).map(|style| bar.clone().with_style(style)).unwrap_or(bar)
}
