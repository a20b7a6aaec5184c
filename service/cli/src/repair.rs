//! `condyle repair`: applies fixes to a file, without a server.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use condyle_core::check::{Request, RequestError, Unobserved};
use condyle_core::intake::Limits;
use condyle_core::repair::{Fixed, RepairError, Repairs, Resolution, Which, repair};
use jiff::civil::Date;

use crate::exit;
use crate::inputs::Input;
use crate::policy::{profile, waivers};

/// Apply the fixes of findings: what is not touched keeps every byte.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// A plan, a glTF or a GLB.
    file: PathBuf,
    /// Where to write the repaired file.
    #[arg(long, short, required_unless_present = "dry_run")]
    output: Option<PathBuf>,
    /// Also fixes that want a look first.
    #[arg(long, conflicts_with = "only")]
    review: bool,
    /// Only the fixes of these findings.
    #[arg(long, value_delimiter = ',', value_name = "FINGERPRINT", num_args = 1..)]
    only: Vec<String>,
    /// Write nothing; list what would change.
    #[arg(long)]
    dry_run: bool,
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// A file of waivers: what they cover is left alone.
    #[arg(long)]
    waivers: Option<PathBuf>,
    /// The date that waivers are judged by (UTC, YYYY-MM-DD); today unless said.
    #[arg(long)]
    as_of: Option<Date>,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people.
    Text,
    /// `condyle.repairs/1`.
    Json,
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    match work(arguments) {
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            let _ = writeln!(anstream::stderr(), "condyle: {text}");
            ExitCode::from(exit::INPUT)
        }
    }
}

fn work(arguments: &Arguments) -> Result<(), String> {
    let shown = |error: &dyn std::fmt::Display| format!("{}: {error}", arguments.file.display());
    let profile = profile(&arguments.profile)?;
    let input = Input::read(&arguments.file).map_err(|error| shown(&error))?;
    let as_of =
        arguments.as_of.unwrap_or_else(|| jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date());
    let which = match (arguments.review, arguments.only.is_empty()) {
        (true, _) => Which::Review,
        (false, true) => Which::Safe,
        (false, false) => Which::Chosen(arguments.only.clone()),
    };
    let waivers = arguments.waivers.as_deref().map(waivers).transpose()?.unwrap_or_default();
    let request = Request { waivers, ..Request::all(&profile, as_of) };
    let repaired = repair(&input.bundle(), &Limits::default(), &request, &which, &Unobserved)
        .map_err(|error| shown(&told(error)))?;
    if let Some(output) = arguments.output.as_ref().filter(|_| !arguments.dry_run) {
        write(output, &repaired.bytes).map_err(|error| format!("{}: {error}", output.display()))?;
    }
    print(arguments, &repaired.listing);
    Ok(())
}

/// Whole or not at all: under another name first, so that the input may be the output.
pub(crate) fn write(output: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut name = output.file_name().unwrap_or_default().to_os_string();
    name.push(".partial");
    let partial = output.with_file_name(name);
    std::fs::write(&partial, bytes)?;
    std::fs::rename(&partial, output)
}

pub(crate) fn told(error: RepairError) -> String {
    match error {
        RepairError::Fault(fault) => fault.to_string(),
        RepairError::Request(RequestError::Waiver(error)) => {
            format!("the waivers cannot be read: {} (at {})", error.message, error.pointer)
        }
        RepairError::Request(RequestError::UnknownCheck(unknown)) => {
            format!("no check and no family is called {}", unknown.id)
        }
        RepairError::UnknownFingerprint { fingerprint, suggestion, .. } => {
            let hint = suggestion.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
            format!("no finding has the fingerprint {fingerprint}{hint}")
        }
        RepairError::Cancelled => "cancelled".to_owned(),
        RepairError::Broken(reason) => format!("a bug of ours: {reason}"),
    }
}

fn print(arguments: &Arguments, listing: &Repairs) {
    let mut out = anstream::stdout().lock();
    if arguments.format == Format::Json {
        if let Ok(text) = serde_json::to_string_pretty(listing) {
            let _ = writeln!(out, "{text}");
        }
        return;
    }
    let mut line = |mark: &str, fixed: &Fixed, text: &str| {
        let subject = if fixed.subject.name.is_empty() { &fixed.subject.kind } else { &fixed.subject.name };
        let _ = writeln!(out, "{mark} {} {} {subject}: {text}", &fixed.fingerprint, fixed.check);
    };
    for change in &listing.changes {
        line("fixed   ", &change.fixed, &change.fixed.summary);
    }
    for conflict in listing.conflicts.iter().filter(|c| c.resolution == Resolution::LeftOut) {
        let text = match conflict.with.as_str() {
            "" => "it does not settle with the others".to_owned(),
            with => format!("{with} changes {} too", conflict.path),
        };
        line("conflict", &conflict.fixed, &text);
    }
    for left in &listing.left {
        line("left    ", &left.fixed, &left.reason);
    }
    for fixed in &listing.review {
        line("review  ", fixed, &fixed.summary);
    }
    for fixed in &listing.opened {
        line("opened  ", fixed, &fixed.message);
    }
    let (before, after) = (&listing.before, &listing.after);
    let verb = if arguments.dry_run { "would be fixed" } else { "fixed" };
    let _ = writeln!(
        out,
        "{} {verb}; errors {} to {}, warnings {} to {}, notes {} to {}",
        listing.changes.len(),
        before.error,
        after.error,
        before.warning,
        after.warning,
        before.note,
        after.note
    );
}
