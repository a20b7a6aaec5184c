//! `condyle watch`: checks files again whenever they are saved, and tells what that changed.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use condyle_core::difference::{Brief, Side, compare};
use condyle_core::render::printable;
use condyle_core::report::{Report, Verdict};
use notify::{Config, Event, EventKind, PollWatcher, RecommendedWatcher, RecursiveMode, Watcher};
use serde_json::{Value, json};

use crate::check::{Judged, Unjudged, judge};
use crate::exit;
use crate::forms::told;
use crate::inputs::{self, is_ours};
use crate::rules::{Loaded, Rules};

/// After so long without an event a file is taken as saved: programs write large files in many steps.
const QUIET: Duration = Duration::from_millis(200);
/// But so long after the first event it is looked at in any case.
const AT_MOST: Duration = Duration::from_secs(2);

/// Check files again whenever they are saved, without a server.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// Folders to watch for .glb, .gltf, .vrm and .plan.json, or files.
    #[arg(required = true)]
    paths: Vec<PathBuf>,
    #[command(flatten)]
    rules: Rules,
    /// Look every so many seconds, for folders whose changes the system does not tell (network drives).
    #[arg(long, value_name = "SECONDS", value_parser = clap::value_parser!(u64).range(1..=3600))]
    poll: Option<u64>,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Form::Text)]
    format: Form,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Form {
    /// For people.
    Text,
    /// A line of JSON for each check of a file.
    Ndjson,
}

/// What is known of a file.
#[derive(Default)]
struct Seen {
    /// The last report that there was.
    report: Option<Report>,
    /// Nothing could be read from its last bytes.
    broken: bool,
    /// Files that it refers to, also such as are not there.
    beside: BTreeSet<PathBuf>,
}

/// All that is watched.
struct Watched<'a> {
    rules: &'a Rules,
    loaded: &'a Loaded,
    form: Form,
    /// Shown paths begin where one is.
    here: PathBuf,
    seen: BTreeMap<PathBuf, Seen>,
}

/// What events told of.
#[derive(Default)]
struct Touched {
    paths: BTreeSet<PathBuf>,
    /// Some were lost: anything may have been saved.
    lost: bool,
}

impl Touched {
    fn note(&mut self, event: notify::Result<Event>) {
        match event {
            Ok(event) => {
                self.lost |= event.need_rescan();
                if !matches!(event.kind, EventKind::Access(_)) {
                    self.paths.extend(event.paths);
                }
            }
            // Of one folder, most often; the others go on telling.
            Err(error) => told(&error.to_string()),
        }
    }
}

/// What a look at a file came to.
enum Look<'a> {
    First(&'a Report),
    Changed { before: &'a Report, now: &'a Report },
    Broken(&'a str),
    Gone,
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    match watch(arguments) {
        // The reader is gone: that is an end like another.
        Ok(()) => ExitCode::SUCCESS,
        Err(text) => {
            told(&text);
            ExitCode::from(exit::INPUT)
        }
    }
}

fn watch(arguments: &Arguments) -> Result<(), String> {
    let loaded = arguments.rules.load(None)?;
    let here = std::env::current_dir().and_then(std::fs::canonicalize).map_err(|error| error.to_string())?;
    let (rules, form) = (&arguments.rules, arguments.format);
    let mut watched = Watched { rules, loaded: &loaded, form, here, seen: BTreeMap::new() };
    let (told_by, events) = channel();
    let sender = move |event: notify::Result<Event>| {
        let _ = told_by.send(event);
    };
    let unwatched =
        |error: notify::Error| format!("the system does not tell changes ({error}); try --poll 2");
    let mut watcher: Box<dyn Watcher> = match arguments.poll {
        Some(seconds) => {
            let config = Config::default().with_poll_interval(Duration::from_secs(seconds));
            Box::new(PollWatcher::new(sender, config).map_err(unwatched)?)
        }
        None => Box::new(RecommendedWatcher::new(sender, Config::default()).map_err(unwatched)?),
    };
    let mut files = BTreeSet::new();
    let mut only = BTreeSet::new();
    for path in &arguments.paths {
        let path = path.canonicalize().map_err(|error| format!("{}: {error}", path.display()))?;
        // A file is watched through its folder: programs that save safely put another file in its place.
        let mode = if path.is_dir() { RecursiveMode::Recursive } else { RecursiveMode::NonRecursive };
        let folder = if path.is_dir() { path.as_path() } else { path.parent().unwrap_or(&path) };
        watcher.watch(folder, mode).map_err(unwatched)?;
        if !path.is_dir() {
            only.insert(path.clone());
        }
        files.extend(inputs::collect(&[path])?);
    }
    let roots: Vec<PathBuf> = arguments
        .paths
        .iter()
        .filter_map(|path| path.canonicalize().ok())
        .filter(|path| path.is_dir())
        .collect();
    for file in &files {
        if !watched.look(file)? {
            return Ok(());
        }
    }
    if !watched.ready(files.len()) {
        return Ok(());
    }
    while let Some(touched) = settled(&events) {
        for file in watched.meant(&touched, &only, &roots) {
            if !watched.look(&file)? {
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Waits for events, and then until there are none for a while; nothing where there will be none.
fn settled(events: &Receiver<notify::Result<Event>>) -> Option<Touched> {
    let mut touched = Touched::default();
    touched.note(events.recv().ok()?);
    let begun = Instant::now();
    while begun.elapsed() < AT_MOST {
        match events.recv_timeout(QUIET) {
            Ok(event) => touched.note(event),
            Err(RecvTimeoutError::Timeout) => break,
            Err(RecvTimeoutError::Disconnected) => return None,
        }
    }
    Some(touched)
}

/// Models and plans in a folder. One that cannot be walked is told: it may be gone again already.
fn within(folder: &Path) -> Vec<PathBuf> {
    inputs::collect(&[folder.to_path_buf()]).unwrap_or_else(|text| {
        told(&text);
        Vec::new()
    })
}

impl Watched<'_> {
    /// The files to look at: those touched, those that refer to what was touched, and those in folders that came; all
    /// there are where events were lost.
    fn meant(&self, touched: &Touched, only: &BTreeSet<PathBuf>, roots: &[PathBuf]) -> BTreeSet<PathBuf> {
        if touched.lost {
            let below = roots.iter().flat_map(|root| within(root));
            return self.seen.keys().chain(only).cloned().chain(below).collect();
        }
        let paths = &touched.paths;
        let inside = |path: &&PathBuf| roots.iter().any(|root| path.starts_with(root));
        let own = paths.iter().filter(|path| only.contains(*path) || is_ours(path) && inside(path));
        let by = self.seen.iter().filter(|(_, seen)| !seen.beside.is_disjoint(paths)).map(|(file, _)| file);
        // A folder that was moved or deleted tells of itself alone.
        let gone =
            self.seen.keys().filter(|file| paths.iter().any(|path| path != *file && file.starts_with(path)));
        // So does one that came; links to folders are not followed here either.
        let is_folder = |path: &&PathBuf| path.symlink_metadata().is_ok_and(|meta| meta.is_dir());
        let came = paths.iter().filter(inside).filter(is_folder).flat_map(|folder| within(folder));
        own.chain(by).chain(gone).cloned().chain(came).collect()
    }

    /// Looks at a file; false where nobody reads any more.
    fn look(&mut self, path: &Path) -> Result<bool, String> {
        let seen = self.seen.get(path);
        let before = seen.and_then(|seen| seen.report.as_ref());
        let was_broken = seen.is_some_and(|seen| seen.broken);
        if !path.exists() {
            return Ok(self.seen.remove(path).is_none() || self.print(path, &Look::Gone));
        }
        // Waivers end while it is watched.
        let today = jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
        match judge(path, &self.rules.request(self.loaded, today, true), false) {
            // Saved as it was.
            Ok(Judged { report, .. })
                if !was_broken && before.is_some_and(|one| one.input.sha256 == report.input.sha256) =>
            {
                Ok(true)
            }
            Ok(Judged { input, report, .. }) => {
                let look = match before {
                    Some(before) => Look::Changed { before, now: &report },
                    None => Look::First(&report),
                };
                let read = self.print(path, &look);
                let beside = beside(path, &input.beside);
                self.seen.insert(path.to_path_buf(), Seen { report: Some(report), broken: false, beside });
                Ok(read)
            }
            Err(Unjudged::Broken { why, beside: names }) => {
                let read = self.print(path, &Look::Broken(&why));
                let names = beside(path, &names);
                // The report before stays what the next one is held against. Half a file names nothing beside it.
                let seen = self.seen.entry(path.to_path_buf()).or_default();
                seen.broken = true;
                seen.beside.extend(names);
                Ok(read)
            }
            Err(Unjudged::Request(text)) => Err(text),
        }
    }

    fn ready(&self, files: usize) -> bool {
        match self.form {
            Form::Text => writeln!(anstream::stdout(), "{files} files; waiting for them to be saved").is_ok(),
            Form::Ndjson => writeln!(
                anstream::stdout(),
                "{}",
                json!({"watch": "condyle.watch/1", "event": "ready", "files": files})
            )
            .is_ok(),
        }
    }

    fn print(&self, path: &Path, look: &Look<'_>) -> bool {
        let name = printable(&path.strip_prefix(&self.here).unwrap_or(path).to_string_lossy());
        let text = match self.form {
            Form::Text => text(&name, look),
            Form::Ndjson => format!("{}\n", line(&name, look)),
        };
        anstream::stdout().write_all(text.as_bytes()).is_ok()
    }
}

fn beside(path: &Path, names: &BTreeSet<String>) -> BTreeSet<PathBuf> {
    let folder = path.parent().unwrap_or(Path::new(""));
    names.iter().map(|name| folder.join(name)).collect()
}

fn word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Pass => "\u{1b}[1;32mPASS\u{1b}[0m",
        Verdict::Warn => "\u{1b}[1;33mWARN\u{1b}[0m",
        Verdict::Fail => "\u{1b}[1;31mFAIL\u{1b}[0m",
    }
}

fn text(name: &str, look: &Look<'_>) -> String {
    match look {
        Look::First(report) => {
            let counts = &report.counts;
            format!(
                "{} {name}: {} errors, {} warnings, {} notes\n",
                word(report.verdict),
                counts.error,
                counts.warning,
                counts.note
            )
        }
        Look::Changed { before, now } => {
            let (new, fixed, unchanged) = between(before, now);
            let mut text = format!(
                "{} {name}: {} new, {} fixed, {unchanged} unchanged\n",
                word(now.verdict),
                new.len(),
                fixed.len()
            );
            for (told, list) in [("new  ", &new), ("fixed", &fixed)] {
                for one in list {
                    let message = printable(&one.message);
                    text.push_str(&format!("  {told} {:7} {message}  {}\n", one.severity.word(), one.check));
                }
            }
            text
        }
        Look::Broken(why) => format!("     {name} cannot be read: {}\n", printable(why)),
        Look::Gone => format!("     {name} is gone\n"),
    }
}

fn line(name: &str, look: &Look<'_>) -> Value {
    let mut line = json!({"watch": "condyle.watch/1", "file": name});
    match look {
        Look::First(report) => {
            line["event"] = json!("first");
            line["verdict"] = json!(report.verdict);
            line["counts"] = json!(report.counts);
        }
        Look::Changed { before, now } => {
            let (new, fixed, unchanged) = between(before, now);
            line["event"] = json!("changed");
            line["verdict"] = json!(now.verdict);
            line["counts"] = json!(now.counts);
            line["new"] = json!(new);
            line["fixed"] = json!(fixed);
            line["unchanged"] = json!(unchanged);
        }
        Look::Broken(why) => {
            line["event"] = json!("broken");
            line["error"] = json!(why);
        }
        Look::Gone => line["event"] = json!("gone"),
    }
    line
}

/// Findings that are new, fixed, and how many are neither.
fn between(before: &Report, now: &Report) -> (Vec<Brief>, Vec<Brief>, usize) {
    let side = |report| Side { report, rig: None };
    let findings = compare(("before", side(before)), ("now", side(now)), None).findings;
    let told =
        |list: Vec<condyle_core::difference::Changed>| list.into_iter().map(|one| one.finding).collect();
    (told(findings.new), told(findings.fixed), findings.unchanged.len())
}
