//! `condyle check`: reads, checks and prints, without a server.

use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use condyle_core::check::{Request, Unobserved, WaiverPlace, run as run_checks};
use condyle_core::figure::{Figure, Options as Drawing, figure};
use condyle_core::intake::{self, Limits};
use condyle_core::render;
use condyle_core::report::{FailOn, Report, Verdict};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::civil::Date;
use rayon::prelude::*;

use crate::exit;
use crate::inputs::{Input, collect};
use crate::policy;

/// Check plans and models here, without a server.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Files, or folders to walk for .glb, .gltf, .vrm and .plan.json.
    #[arg(required = true)]
    paths: Vec<PathBuf>,
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// The version of the catalogue to be judged by; the newest unless said.
    #[arg(long)]
    catalogue: Option<String>,
    /// Waivers that belong to what is checked: a JSON list.
    #[arg(long)]
    waivers: Option<PathBuf>,
    /// The reference skeleton to conform to: a plan or a GLB.
    #[arg(long)]
    reference: Option<PathBuf>,
    /// Only these checks or families.
    #[arg(long, value_delimiter = ',')]
    only: Vec<String>,
    /// Not these checks or families.
    #[arg(long, value_delimiter = ',')]
    skip: Vec<String>,
    /// Turn every joint, too, and measure what the skin does.
    #[arg(long)]
    sweep: bool,
    /// With the sweep: pose it by its own clips, too.
    #[arg(long)]
    clips: bool,
    /// What closes the gate.
    #[arg(long, value_enum, default_value_t = Threshold::Error)]
    fail_on: Threshold,
    /// The date that waivers are judged by (UTC, YYYY-MM-DD); today unless said.
    #[arg(long)]
    as_of: Option<Date>,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Draw a figure of each input into this folder, which is created; Markdown refers to them. A page holds its figures
    /// by itself.
    #[arg(long, value_name = "FOLDER")]
    figures: Option<PathBuf>,
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
    /// One report a line.
    Ndjson,
    /// SARIF 2.1.0.
    Sarif,
    /// JUnit XML, for build servers.
    Junit,
    /// Markdown, for a comment on a change.
    Markdown,
    /// One self-contained page.
    Html,
    /// Workflow commands that a hosted build shows beside a change.
    Annotations,
    /// A code-quality list in JSON.
    CodeQuality,
}

/// What became of one file.
enum Outcome {
    Report(Box<Report>, Option<Box<Figure>>),
    Broken(String),
}

/// Turn every joint of bound models alone, and measure what the skin does.
#[derive(Debug, Args)]
pub(crate) struct SweepArguments {
    #[command(flatten)]
    check: Arguments,
    /// Write the model with one clip more, that walks through the worst poses of its joints: for one file.
    #[arg(long, value_name = "OUT")]
    glb: Option<PathBuf>,
}

/// The checks of the pose sweep alone.
pub(crate) fn sweep(arguments: SweepArguments) -> ExitCode {
    let SweepArguments { check: mut arguments, glb } = arguments;
    arguments.sweep = true;
    if arguments.only.is_empty() {
        arguments.only.push("sweep".into());
    }
    if let Some(out) = glb
        && let Err(text) = write_poses(&arguments, &out)
    {
        let _ = writeln!(anstream::stderr(), "condyle: {text}");
        return ExitCode::from(exit::INPUT);
    }
    run(&arguments)
}

/// Writes the one model of the command with its worst poses.
fn write_poses(arguments: &Arguments, out: &std::path::Path) -> Result<(), String> {
    let [path] = collect(&arguments.paths)?.try_into().map_err(|paths: Vec<PathBuf>| {
        format!("--glb shows the poses of one model, not of {} files", paths.len())
    })?;
    let pinned = policy::catalogue(arguments.catalogue.as_deref())?;
    let profile = policy::profile_under(&arguments.profile, pinned)?;
    let input = Input::read(&path).map_err(|error| error.to_string())?;
    let (bundle, limits) = (input.bundle(), Limits::default());
    let read = intake::read(&bundle, &limits).map_err(|fault| fault.to_string())?;
    let alone = intake::Bundle { plan: None, ..bundle.clone() };
    let model = intake::read(&alone, &limits).map_err(|fault| fault.to_string())?;
    let mut request = Request::all(&profile, jiff::civil::Date::default());
    request.only = vec!["sweep".into()];
    let (_, posed) = condyle_core::check::run_then(&read, &request, &Unobserved, |facts| {
        condyle_core::repair::pose_model(&alone, &model, facts, &limits)
    })
    .map_err(|error| format!("{error:?}"))?;
    let posed = posed?;
    std::fs::write(out, &posed.bytes).map_err(|error| format!("{}: {error}", out.display()))?;
    let mut err = anstream::stderr().lock();
    let _ = writeln!(err, "{} poses in {}", posed.poses, out.display());
    if !posed.left_out.is_empty() {
        let count = posed.left_out.len();
        let _ = writeln!(err, "{count} joints are left out: something above them shears");
    }
    Ok(())
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let fail = |text: String| {
        let _ = writeln!(anstream::stderr(), "condyle: {text}");
        ExitCode::from(exit::INPUT)
    };
    let pinned = policy::catalogue(arguments.catalogue.as_deref());
    let profile = match pinned.and_then(|version| policy::profile_under(&arguments.profile, version)) {
        Ok(profile) => profile,
        Err(text) => return fail(text),
    };
    let mut waivers = match arguments.waivers.as_deref().map(policy::waivers).transpose() {
        Ok(waivers) => waivers.unwrap_or_default(),
        Err(text) => return fail(text),
    };
    let reference = match policy::reference(arguments.reference.as_deref(), &arguments.profile, &profile) {
        Ok(reference) => reference,
        Err(text) => return fail(text),
    };
    let paths = match collect(&arguments.paths) {
        Ok(paths) if paths.is_empty() => return fail("there is no model and no plan in there".into()),
        Ok(paths) => paths,
        Err(text) => return fail(text),
    };
    if paths.len() > 1 {
        // What covers nothing in one file may be meant for the next.
        for waiver in &mut waivers {
            waiver.place = WaiverPlace::Shared;
        }
    }
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
        waivers,
        reference: reference.as_ref().map(|reference| &reference.rig),
        // Without the flag the profile, or a check that was named, decides.
        sweep: arguments.sweep.then_some(true),
        clips: arguments.clips,
        ..Request::all(&profile, as_of)
    };
    let bar = progress(paths.len(), arguments.quiet);
    let outcomes: Vec<(PathBuf, Outcome)> = paths
        .into_par_iter()
        .map(|path| {
            let outcome =
                one(&path, &request, arguments.figures.is_some() || arguments.format == Format::Html);
            bar.inc(1);
            (path, outcome)
        })
        .collect();
    bar.finish_and_clear();
    let pictures = match arguments.figures.as_deref().map(|folder| keep(folder, &outcomes)).transpose() {
        Ok(pictures) => pictures,
        Err(text) => return fail(text),
    };
    print(arguments, &outcomes, pictures.as_deref());
    let mut worst = 0;
    for (_, outcome) in &outcomes {
        worst = worst.max(match outcome {
            Outcome::Broken(_) => exit::INPUT,
            Outcome::Report(report, _) if !report.gate.passed => exit::GATE,
            Outcome::Report(..) => 0,
        });
    }
    ExitCode::from(worst)
}

fn one(path: &Path, request: &Request<'_>, drawn: bool) -> Outcome {
    let input = match Input::read(path) {
        Ok(input) => input,
        Err(error) => return Outcome::Broken(error.to_string()),
    };
    let read = match intake::read(&input.bundle(), &Limits::default()) {
        Ok(read) => read,
        Err(fault) => return Outcome::Broken(fault.to_string()),
    };
    match run_checks(&read, request, &Unobserved) {
        Ok(report) => {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            let draw = || figure(&read.rig, &name, Some(&report), &Drawing::default());
            let figure = drawn.then(draw).map(Box::new);
            Outcome::Report(Box::new(report), figure)
        }
        Err(error) => Outcome::Broken(policy::refusal(error)),
    }
}

/// Writes the figures; gives for each input where its own lies, beside the folder.
fn keep(folder: &Path, outcomes: &[(PathBuf, Outcome)]) -> Result<Vec<Option<String>>, String> {
    let wrong = |error: std::io::Error| format!("{}: {error}", folder.display());
    std::fs::create_dir_all(folder).map_err(wrong)?;
    let mut out = Vec::with_capacity(outcomes.len());
    let mut taken = std::collections::BTreeSet::new();
    for (path, outcome) in outcomes {
        let Outcome::Report(_, Some(figure)) = outcome else {
            out.push(None);
            continue;
        };
        let stem = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let names = std::iter::once(format!("{stem}.svg")).chain((2..).map(|n| format!("{stem}.{n}.svg")));
        let name = names.into_iter().find(|name| taken.insert(name.clone())).unwrap_or_default();
        let file = folder.join(&name);
        std::fs::write(&file, &figure.svg).map_err(wrong)?;
        out.push(Some(file.to_string_lossy().replace('\\', "/")));
    }
    Ok(out)
}

fn print(arguments: &Arguments, outcomes: &[(PathBuf, Outcome)], pictures: Option<&[Option<String>]>) {
    let mut out = anstream::stdout().lock();
    match arguments.format {
        Format::Json => {
            let reports: Vec<&Report> = outcomes
                .iter()
                .filter_map(|(_, outcome)| match outcome {
                    Outcome::Report(report, _) => Some(report.as_ref()),
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
        Format::Ndjson => {
            for (_, outcome) in outcomes {
                if let Outcome::Report(report, _) = outcome
                    && let Ok(line) = serde_json::to_string(report)
                {
                    let _ = writeln!(out, "{line}");
                }
            }
        }
        Format::Sarif => print_items(&mut out, outcomes, pictures, render::sarif),
        Format::Junit => print_items(&mut out, outcomes, pictures, render::junit),
        Format::Markdown => print_items(&mut out, outcomes, pictures, render::markdown),
        Format::Html => print_items(&mut out, outcomes, pictures, render::html),
        Format::Annotations => print_items(&mut out, outcomes, pictures, render::annotations),
        Format::CodeQuality => print_items(&mut out, outcomes, pictures, render::quality),
        Format::Text => {
            // anstream strips the colours where the reader is no terminal.
            let style = render::Style { colour: true, explain: arguments.explain };
            for (_, outcome) in outcomes {
                if let Outcome::Report(report, _) = outcome
                    && !(arguments.quiet && report.gate.passed)
                {
                    let _ = writeln!(out, "{}", render::text(report, style));
                }
            }
            if outcomes.len() > 1 && !arguments.quiet {
                let count = |verdict: Verdict| {
                    let is = |o: &&(PathBuf, Outcome)| matches!(&o.1, Outcome::Report(r, _) if r.verdict == verdict);
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

/// All reports in one document.
fn print_items(
    out: &mut impl std::io::Write,
    outcomes: &[(PathBuf, Outcome)],
    pictures: Option<&[Option<String>]>,
    form: fn(&[render::Item<'_>]) -> String,
) {
    let paths: Vec<String> = outcomes.iter().map(|(path, _)| path.to_string_lossy().into_owned()).collect();
    let items: Vec<render::Item<'_>> = outcomes
        .iter()
        .zip(&paths)
        .enumerate()
        .filter_map(|(index, ((_, outcome), path))| match outcome {
            Outcome::Report(report, figure) => Some(render::Item {
                figure: figure.as_deref(),
                picture: pictures.and_then(|list| list.get(index)?.as_deref()),
                ..render::Item::new(path, report)
            }),
            Outcome::Broken(_) => None,
        })
        .collect();
    let _ = write!(out, "{}", form(&items));
}

fn progress(count: usize, quiet: bool) -> ProgressBar {
    if quiet || count < 8 || !std::io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(Some(count as u64), ProgressDrawTarget::stderr());
    let template = "{wide_bar} {pos} of {len} files";
    ProgressStyle::with_template(template).map(|style| bar.clone().with_style(style)).unwrap_or(bar)
}
