//! `condyle diff`: what changed between two files, or two reports, without a server.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use condyle_core::check::{Request, Unobserved, run as run_checks};
use condyle_core::difference::{Side, compare};
use condyle_core::intake::{self, Intake, Limits};
use condyle_core::render::{self, Item};
use condyle_core::report::Report;
use jiff::civil::Date;

use crate::exit;
use crate::gate::Threshold;
use crate::inputs::Input;
use crate::policy;

/// What changed between two files, or between two reports.
///
/// Files are judged here, both by the same profile; reports (`condyle check --format json`) are taken as they are.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Before: a model, a plan or a report.
    from: PathBuf,
    /// Now: a model, a plan or a report.
    to: PathBuf,
    /// What judges files: a built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// The date that waivers are judged by (UTC, YYYY-MM-DD); today unless said.
    #[arg(long)]
    as_of: Option<Date>,
    /// New findings of this severity close the gate; those of a changed rule never do.
    #[arg(long, value_enum, default_value_t = Threshold::Error)]
    fail_on: Threshold,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Form::Text)]
    format: Form,
    /// The same as `--format json`.
    #[arg(long, conflicts_with = "format")]
    json: bool,
}

/// The forms of a difference.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Form {
    /// For people.
    Text,
    /// `condyle.difference/1`.
    Json,
    /// SARIF 2.1.0: the newer findings with their baseline states, and those that are gone.
    Sarif,
    /// Markdown, for a comment on a change.
    Markdown,
    /// One self-contained page.
    Html,
}

/// One of the two, read.
struct Read {
    name: String,
    report: Report,
    intake: Option<Intake>,
}

impl Read {
    fn side(&self) -> (&str, Side<'_>) {
        let rig = self.intake.as_ref().map(|intake| &intake.rig);
        (&self.name, Side { report: &self.report, rig })
    }
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    match work(arguments) {
        Ok(code) => code,
        Err(text) => {
            let _ = writeln!(anstream::stderr(), "condyle: {text}");
            ExitCode::from(exit::INPUT)
        }
    }
}

fn work(arguments: &Arguments) -> Result<ExitCode, String> {
    let profile = policy::profile(&arguments.profile)?;
    let today = || jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
    let request = Request::all(&profile, arguments.as_of.unwrap_or_else(today));
    let (from, to) = (read(&arguments.from, &request)?, read(&arguments.to, &request)?);
    let difference = compare(from.side(), to.side(), None);
    let form = if arguments.json { Form::Json } else { arguments.format };
    let text = match form {
        Form::Text => render::difference_text(&difference),
        Form::Json => serde_json::to_string_pretty(&difference).map_err(|error| error.to_string())? + "\n",
        Form::Sarif => {
            render::sarif(&[Item { previous: Some(&from.report), ..Item::new(&to.name, &to.report) }])
        }
        Form::Markdown => render::difference_markdown(&difference),
        Form::Html => render::difference_html(&difference),
    };
    let _ = write!(anstream::stdout(), "{text}");
    let closed = arguments.fail_on.least().is_some_and(|least| difference.worse(least) > 0);
    Ok(if closed { ExitCode::from(exit::GATE) } else { ExitCode::SUCCESS })
}

fn read(path: &Path, request: &Request<'_>) -> Result<Read, String> {
    let wrong = |text: String| format!("{}: {text}", path.display());
    let name = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| wrong(error.to_string()))?;
    if let Some(report) = report(&bytes).transpose().map_err(wrong)? {
        return Ok(Read { name, report, intake: None });
    }
    let input = Input::read(path).map_err(|error| wrong(error.to_string()))?;
    let intake =
        intake::read(&input.bundle(), &Limits::default()).map_err(|fault| wrong(fault.to_string()))?;
    let report = run_checks(&intake, request, &Unobserved)
        .map_err(|_| wrong("the waivers in it cannot be read; condyle check says where".into()))?;
    Ok(Read { name, report, intake: Some(intake) })
}

/// A report, where the file is one.
fn report(bytes: &[u8]) -> Option<Result<Report, String>> {
    let json: serde_json::Value = serde_json::from_slice(bytes).ok()?;
    let form = json.get("report")?.as_str()?;
    if form != "condyle.report/1" {
        return Some(Err(format!("the report is of the form {form}, not condyle.report/1")));
    }
    Some(serde_json::from_value(json).map_err(|error| format!("the report cannot be read: {error}")))
}
