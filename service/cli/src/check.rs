//! `condyle check`: reads, checks and prints, without a server.

use std::collections::BTreeSet;
use std::io::{IsTerminal as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use condyle_core::check::{Request, RequestError, Unobserved, run as run_checks};
use condyle_core::difference::{Side, compare};
use condyle_core::figure::{Figure, Options as Drawing, figure};
use condyle_core::intake::{self, Limits};
use condyle_core::render::{self, Item, Unread};
use condyle_core::report::{Report, Verdict};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::civil::Date;
use rayon::prelude::*;

use crate::exit;
use crate::forms::{Form, missing, told, watched};
use crate::gate::Threshold;
use crate::inputs::{Input, collect};
use crate::policy;
use crate::rules::Rules;

/// Check plans and models here, without a server.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Files, folders to walk for .glb, .gltf, .vrm and .plan.json, or patterns ('crabs/**/*.glb').
    #[arg(required = true)]
    paths: Vec<PathBuf>,
    #[command(flatten)]
    rules: Rules,
    /// The version of the catalogue to be judged by; the newest unless said.
    #[arg(long)]
    catalogue: Option<String>,
    /// With the sweep: pose it by its own clips, too.
    #[arg(long)]
    clips: bool,
    /// What closes the gate.
    #[arg(long, value_enum, default_value_t = Threshold::Error)]
    fail_on: Threshold,
    /// The date that waivers are judged by (UTC, YYYY-MM-DD); today unless said.
    #[arg(long)]
    as_of: Option<Date>,
    /// Reports of the last time (`--format json` or `ndjson`): new findings are told from known ones.
    #[arg(long)]
    baseline: Option<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Form::Text)]
    format: Form,
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

/// What became of one file.
enum Outcome {
    /// With the text that a fix can be told in, where the form tells fixes so, and its drawing, where one is wanted.
    Report {
        report: Box<Report>,
        text: Option<String>,
        figure: Option<Box<Figure>>,
    },
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
    arguments.rules.sweep = true;
    if arguments.rules.only.is_empty() {
        arguments.rules.only.push("sweep".into());
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
    let profile = policy::profile_under(&arguments.rules.profile, pinned)?;
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
        told(&text);
        ExitCode::from(exit::INPUT)
    };
    let loaded = match arguments.rules.load(arguments.catalogue.as_deref()) {
        Ok(loaded) => loaded,
        Err(text) => return fail(text),
    };
    let baseline = match arguments.baseline.as_deref().map(Baseline::read).transpose() {
        Ok(baseline) => baseline.unwrap_or_default(),
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
        fail_on: arguments.fail_on.fail_on(),
        clips: arguments.clips,
        ..arguments.rules.request(&loaded, as_of, paths.len() > 1)
    };
    let bar = progress(paths.len(), arguments.quiet);
    let outcomes: Vec<(PathBuf, Outcome)> = paths
        .into_par_iter()
        .map(|path| {
            let drawn = arguments.figures.is_some() || arguments.format == Form::Html;
            let outcome = match judge(&path, &request, drawn) {
                Ok(Judged { input, report, figure }) => {
                    let text = input.text().filter(|_| arguments.format.reads_text()).map(str::to_owned);
                    Outcome::Report { report: Box::new(report), text, figure: figure.map(Box::new) }
                }
                Err(Unjudged::Broken { why: text, .. } | Unjudged::Request(text)) => Outcome::Broken(text),
            };
            bar.inc(1);
            (path, outcome)
        })
        .collect();
    bar.finish_and_clear();
    let pictures = match arguments.figures.as_deref().map(|folder| keep(folder, &outcomes)).transpose() {
        Ok(pictures) => pictures,
        Err(text) => return fail(text),
    };
    print(arguments, &outcomes, &baseline, pictures.as_deref());
    let mut worst = 0;
    for (_, outcome) in &outcomes {
        worst = worst.max(match outcome {
            Outcome::Broken(_) => exit::INPUT,
            Outcome::Report { report, .. } if !report.gate.passed => exit::GATE,
            Outcome::Report { .. } => 0,
        });
    }
    ExitCode::from(worst)
}

/// A file that was judged.
pub(crate) struct Judged {
    pub(crate) input: Input,
    pub(crate) report: Report,
    pub(crate) figure: Option<Figure>,
}

/// Why a file was not judged.
pub(crate) enum Unjudged {
    /// Nothing can be read from it, and why.
    Broken {
        why: String,
        /// Names of files in the same folder that it refers to, as far as that is known.
        beside: BTreeSet<String>,
    },
    /// What was asked means nothing, for this file and for every other.
    Request(String),
}

/// Reads and judges a file, and draws it where that is wanted.
pub(crate) fn judge(path: &Path, request: &Request<'_>, drawn: bool) -> Result<Judged, Unjudged> {
    let unreadable =
        |error: std::io::Error| Unjudged::Broken { why: error.to_string(), beside: BTreeSet::new() };
    let input = Input::read(path).map_err(unreadable)?;
    let broken = |why: String| Unjudged::Broken { why, beside: input.beside.clone() };
    let read =
        intake::read(&input.bundle(), &Limits::default()).map_err(|fault| broken(fault.to_string()))?;
    match run_checks(&read, request, &Unobserved) {
        Ok(report) => {
            let name = path.file_name().unwrap_or_default().to_string_lossy();
            let draw = || figure(&read.rig, &name, Some(&report), &Drawing::default());
            let figure = drawn.then(draw);
            Ok(Judged { input, report, figure })
        }
        Err(error @ RequestError::UnknownCheck(_)) => Err(Unjudged::Request(policy::refusal(error))),
        Err(error) => Err(broken(policy::refusal(error))),
    }
}

/// Writes the figures; gives for each input where its own lies, beside the folder.
fn keep(folder: &Path, outcomes: &[(PathBuf, Outcome)]) -> Result<Vec<Option<String>>, String> {
    let wrong = |error: std::io::Error| format!("{}: {error}", folder.display());
    std::fs::create_dir_all(folder).map_err(wrong)?;
    let mut out = Vec::with_capacity(outcomes.len());
    let mut taken = BTreeSet::new();
    for (path, outcome) in outcomes {
        let Outcome::Report { figure: Some(figure), .. } = outcome else {
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

fn print(
    arguments: &Arguments,
    outcomes: &[(PathBuf, Outcome)],
    baseline: &Baseline,
    pictures: Option<&[Option<String>]>,
) {
    let paths: Vec<String> = outcomes.iter().map(|(path, _)| path.to_string_lossy().into_owned()).collect();
    let items: Vec<Item<'_>> = outcomes
        .iter()
        .zip(&paths)
        .enumerate()
        .filter_map(|(number, ((_, outcome), path))| match outcome {
            Outcome::Report { report, text, figure } => {
                let (previous, source, figure) = (baseline.of(report), text.as_deref(), figure.as_deref());
                let picture = pictures.and_then(|list| list.get(number)?.as_deref());
                Some(Item { previous, source, figure, picture, ..Item::new(path, report) })
            }
            Outcome::Broken(_) => None,
        })
        .collect();
    let unread: Vec<Unread<'_>> = outcomes
        .iter()
        .zip(&paths)
        .filter_map(|((_, outcome), path)| match outcome {
            Outcome::Report { .. } => None,
            Outcome::Broken(reason) => Some(Unread { path, reason }),
        })
        .collect();
    let mut out = anstream::stdout().lock();
    match arguments.format {
        Form::Text => text(&mut out, arguments, &items, &unread),
        Form::Ndjson => {
            for item in &items {
                if let Ok(line) = serde_json::to_string(item.report) {
                    let _ = writeln!(out, "{line}");
                }
            }
            for one in &unread {
                let _ = writeln!(out, "{}", missing(one));
            }
        }
        form => {
            let _ = write!(out, "{}", form.document(&items, &unread, outcomes.len() == 1));
        }
    }
    drop(out);
    // Of many files, the text names those that could not be read: nobody is to read it twice.
    let there = arguments.format == Form::Text && outcomes.len() > 1 && std::io::stdout().is_terminal();
    for one in unread.iter().filter(|_| !there) {
        told(&format!("{}: {}", one.path, one.reason));
    }
}

fn text(out: &mut impl std::io::Write, arguments: &Arguments, items: &[Item<'_>], unread: &[Unread<'_>]) {
    // anstream strips the colours where the reader is no terminal.
    let style = render::Style { colour: true, explain: arguments.explain };
    for item in items.iter().filter(|item| !(arguments.quiet && item.report.gate.passed)) {
        let _ = writeln!(out, "{}", render::text(item.report, style));
        if let Some(previous) = item.previous {
            let _ = writeln!(out, "     {}\n", against(previous, item.report));
        }
    }
    let broken = unread.len();
    for one in unread.iter().filter(|_| items.len() + broken > 1) {
        let (path, reason) = (render::printable(one.path), render::printable(one.reason));
        let _ = writeln!(out, "     {path} cannot be read: {reason}\n");
    }
    if items.len() + broken > 1 && !arguments.quiet {
        let count = |verdict: Verdict| items.iter().filter(|item| item.report.verdict == verdict).count();
        let _ = writeln!(
            out,
            "{} files: {} pass, {} warn, {} fail, {broken} could not be read",
            items.len() + broken,
            count(Verdict::Pass),
            count(Verdict::Warn),
            count(Verdict::Fail)
        );
    }
}

/// How a report stands against the one before.
fn against(previous: &Report, now: &Report) -> String {
    let side = |report| Side { report, rig: None };
    let findings = compare(("baseline", side(previous)), ("now", side(now)), None).findings;
    format!(
        "against the baseline: {} new · {} fixed · {} unchanged",
        findings.new.len(),
        findings.fixed.len(),
        findings.unchanged.len()
    )
}

/// Reports of the last time, to tell new findings from known ones.
#[derive(Default)]
struct Baseline(Vec<Report>);

impl Baseline {
    /// What `--format json` or `ndjson` printed: a report, a list of reports, or one a line; what could not be read then
    /// is nothing to compare with.
    fn read(path: &Path) -> Result<Self, String> {
        let wrong = |text: String| format!("{}: {text}", path.display());
        let text = std::fs::read_to_string(path).map_err(|error| wrong(error.to_string()))?;
        let unfit = |error: serde_json::Error| wrong(format!("no reports can be read from it: {error}"));
        let values = serde_json::Deserializer::from_str(&text).into_iter::<serde_json::Value>();
        let mut reports = Vec::new();
        for value in values {
            let list = match value.map_err(unfit)? {
                serde_json::Value::Array(list) => list,
                one => vec![one],
            };
            for one in list.into_iter().filter(|one| one.get("unread").is_none()) {
                reports.push(serde_json::from_value(one).map_err(unfit)?);
            }
        }
        Ok(Self(reports))
    }

    /// The one of an input whose files have the same names.
    fn of(&self, report: &Report) -> Option<&Report> {
        let names = |report: &Report| -> Vec<String> {
            report.input.files.iter().map(|file| file.name.clone()).collect()
        };
        self.0.iter().find(|one| names(one) == names(report))
    }
}

fn progress(count: usize, quiet: bool) -> ProgressBar {
    if quiet || count < 8 || !watched() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::with_draw_target(Some(count as u64), ProgressDrawTarget::stderr());
    let template = "{wide_bar} {pos} of {len} files";
    ProgressStyle::with_template(template).map(|style| bar.clone().with_style(style)).unwrap_or(bar)
}
