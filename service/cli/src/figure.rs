//! `condyle figure`: draws the skeleton over the outline of its body, without a server.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use condyle_core::check::{Request, Unobserved, run as run_checks};
use condyle_core::figure::{Options, View, WIDTHS, figure};
use condyle_core::intake::{self, Limits};
use condyle_core::report::{FailOn, Severity};
use jiff::civil::Date;

use crate::exit;
use crate::inputs::Input;
use crate::policy;

/// Draw a rig as SVG: the skeleton over the outline of its body, its findings marked and numbered.
///
/// A plan takes its body from beside it, as `condyle check` does.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// A plan or a model.
    file: PathBuf,
    /// Where to write; `-` is standard output.
    #[arg(long, short)]
    out: PathBuf,
    /// What is looked at from where.
    #[arg(long, value_enum, value_delimiter = ',', default_value = "front,side,top")]
    views: Vec<Seen>,
    /// The mildest findings that are marked.
    #[arg(long, value_enum, default_value_t = Least::Note)]
    findings: Least,
    /// The width of the picture, CSS pixels (1/96 inch); A4 upright with margins is 680.
    #[arg(long, default_value_t = 1_000, value_parser = clap::value_parser!(u32).range(i64::from(WIDTHS[0])..=i64::from(WIDTHS[1])))]
    width: u32,
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// Only these checks or families.
    #[arg(long, value_delimiter = ',')]
    only: Vec<String>,
    /// Not these checks or families.
    #[arg(long, value_delimiter = ',')]
    skip: Vec<String>,
    /// Turn every joint, too, and mark what the skin does.
    #[arg(long)]
    sweep: bool,
    /// What makes the exit code 1; the picture is written all the same.
    #[arg(long, value_enum, default_value_t = Threshold::Never)]
    fail_on: Threshold,
    /// The date that waivers are judged by (UTC, YYYY-MM-DD); today unless said.
    #[arg(long)]
    as_of: Option<Date>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Seen {
    Front,
    Side,
    Top,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Least {
    Error,
    Warning,
    Note,
    /// None at all.
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Threshold {
    Error,
    Warning,
    Never,
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    match draw(arguments) {
        Ok(code) => code,
        Err(text) => {
            let _ = writeln!(anstream::stderr(), "condyle: {text}");
            ExitCode::from(exit::INPUT)
        }
    }
}

fn draw(arguments: &Arguments) -> Result<ExitCode, String> {
    let profile = policy::profile(&arguments.profile)?;
    let wrong = |text: String| format!("{}: {text}", arguments.file.display());
    let input = Input::read(&arguments.file).map_err(|error| wrong(error.to_string()))?;
    let read = intake::read(&input.bundle(), &Limits::default()).map_err(|fault| wrong(fault.to_string()))?;
    let today = || jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
    let request = Request {
        only: arguments.only.clone(),
        skip: arguments.skip.clone(),
        fail_on: match arguments.fail_on {
            Threshold::Error => FailOn::Error,
            Threshold::Warning => FailOn::Warning,
            Threshold::Never => FailOn::Never,
        },
        sweep: arguments.sweep.then_some(true),
        ..Request::all(&profile, arguments.as_of.unwrap_or_else(today))
    };
    let options = Options {
        views: arguments
            .views
            .iter()
            .map(|view| match view {
                Seen::Front => View::Front,
                Seen::Side => View::Side,
                Seen::Top => View::Top,
            })
            .collect(),
        findings: match arguments.findings {
            Least::Error => Some(Severity::Error),
            Least::Warning => Some(Severity::Warning),
            Least::Note => Some(Severity::Note),
            Least::None => None,
        },
        width: arguments.width,
    };
    let name = arguments.file.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let title = read.rig.asset.clone().filter(|_| read.plan.is_some()).unwrap_or(name);
    let report = run_checks(&read, &request, &Unobserved).map_err(|error| wrong(policy::refusal(error)))?;
    write(&arguments.out, &figure(&read.rig, &title, Some(&report), &options).svg)?;
    Ok(if report.gate.passed { ExitCode::SUCCESS } else { ExitCode::from(exit::GATE) })
}

fn write(path: &Path, svg: &str) -> Result<(), String> {
    if path == Path::new("-") {
        return std::io::stdout().write_all(svg.as_bytes()).map_err(|error| error.to_string());
    }
    std::fs::write(path, svg).map_err(|error| format!("{}: {error}", path.display()))
}
