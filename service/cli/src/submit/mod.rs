//! `condyle submit`: takes files to the service as revisions, waits for their reports, and exits by the gate.

mod errand;
mod link;
mod names;
mod outcome;
mod pace;
mod print;
mod progress;
mod revision;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use clap::Args;
use futures_util::{StreamExt as _, stream};
use reqwest::Url;

use self::errand::{Errand, Naming, errands};
use self::link::Link;
use self::outcome::{Became, Outcome, worst};
use self::print::Print;
use self::progress::Progress;
use self::revision::{Wishes, take};
use crate::exit;
use crate::forms::{Form, told, watched};
use crate::gate::Threshold;
use crate::inputs;
use crate::service::{self, Trust};
use crate::settings::{self, AssetFrom, Found};
use crate::signals;

/// Send files to the service as revisions, and wait for their reports.
#[derive(Debug, Args)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own")]
pub(crate) struct Arguments {
    /// Models and plans, folders to walk for .glb, .gltf, .vrm and .plan.json, or patterns ('crabs/**/*.glb'); buffers
    /// and the body that a file names are sent along when they lie beside it.
    #[arg(required = true)]
    paths: Vec<PathBuf>,
    /// A file of settings; unless said, condyle.toml in this folder or the nearest one above.
    #[arg(long)]
    config: Option<PathBuf>,
    /// Where the service is [default: http://127.0.0.1:4791].
    #[arg(long, env = "CONDYLE_SERVER")]
    server: Option<String>,
    /// The show.
    #[arg(long, env = "CONDYLE_PRODUCTION")]
    production: Option<String>,
    /// The asset, for one file; unless said, what the plan says, else as --asset-from says.
    #[arg(long)]
    asset: Option<String>,
    /// What assets are named after [default: file].
    #[arg(long, value_enum)]
    asset_from: Option<AssetFrom>,
    /// What every revision is called; unless said, the version at the end of the file's name (hero_v012.glb), else the
    /// digest of its bytes.
    #[arg(long, env = "CONDYLE_LABEL")]
    label: Option<String>,
    /// A build waits for it: it goes before everything in bulk.
    #[arg(long)]
    gate: bool,
    /// Wait for the reports (the default, unless the settings say otherwise).
    #[arg(long, overrides_with = "no_wait")]
    wait: bool,
    /// Do not wait: print the addresses of the jobs when the service has the files safe.
    #[arg(long)]
    no_wait: bool,
    /// Send also what the service has already, under its label or as the asset's latest revision.
    #[arg(long)]
    always: bool,
    /// Files at once [default: 4].
    #[arg(long, short, value_parser = clap::value_parser!(u16).range(1..=64))]
    jobs: Option<u16>,
    /// The version of the catalogue to be judged by, where the production has not agreed on one.
    #[arg(long)]
    catalogue: Option<String>,
    /// The profile to be judged by, where the production has not agreed on one.
    #[arg(long)]
    profile: Option<String>,
    /// Replace the revision under the label if it has this ETag (`*`: any); for one file.
    #[arg(long)]
    if_match: Option<String>,
    /// What closes the gate [default: error].
    #[arg(long, value_enum)]
    fail_on: Option<Threshold>,
    /// Seconds that each file has, from the first request to its report [default: 600].
    #[arg(long)]
    timeout: Option<u64>,
    /// Tries more for a request while the service cannot be reached [default: 8].
    #[arg(long)]
    retries: Option<u32>,
    /// How to print.
    #[arg(long, value_enum, default_value_t = Form::Text)]
    format: Form,
    /// Say why each finding matters and where its rule comes from.
    #[arg(long)]
    explain: bool,
    /// Print nothing but what fails, and no progress.
    #[arg(long, short)]
    quiet: bool,
    /// Tell every request on standard error; never the token.
    #[arg(long, short, conflicts_with = "quiet")]
    verbose: bool,
    /// Print what would be sent as what, and send nothing.
    #[arg(long)]
    dry_run: bool,
}

/// What flags, environment and file come to.
struct Run {
    link: Link,
    wishes: Wishes,
    print: Print,
    jobs: usize,
    groups: Vec<Vec<Errand>>,
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let run = match prepared(arguments) {
        Ok(run) => run,
        Err(text) => {
            told(&text);
            return ExitCode::from(exit::INPUT);
        }
    };
    if arguments.dry_run {
        return dry(&run);
    }
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            told(&error.to_string());
            return ExitCode::from(exit::SERVICE);
        }
    };
    let files = run.groups.iter().map(Vec::len).sum();
    let progress = Progress::new(files, !run.print.quiet && !arguments.verbose && watched());
    let outcomes = runtime.block_on(all(&run, &progress));
    // Reading a file from a slow disk is not waited for.
    runtime.shutdown_background();
    progress.clear();
    run.print.all(&outcomes);
    if outcomes.iter().any(|one| matches!(one.became, Became::Stopped)) {
        told("stopped; what was sent is safe, and its checks go on");
    }
    ExitCode::from(worst(outcomes.iter().map(|one| one.code(run.print.fail_on))))
}

fn prepared(arguments: &Arguments) -> Result<Run, String> {
    let here = std::env::current_dir().map_err(|error| error.to_string())?;
    let found = settings::find(arguments.config.as_deref(), &here)?;
    let submit = &found.file.submit;
    let server = address(arguments, &found)?;
    let production = arguments.production.as_ref().or(found.file.production.as_ref()).cloned();
    let production =
        production.ok_or("no production: --production, CONDYLE_PRODUCTION, or production in condyle.toml")?;
    let files = inputs::find(&arguments.paths)?;
    if files.is_empty() {
        return Err("there is no model and no plan in there".into());
    }
    if arguments.if_match.is_some() && files.len() > 1 {
        return Err(format!("--if-match is for one revision, and there are {} files", files.len()));
    }
    let label = arguments.label.as_ref().or(submit.label.as_ref());
    let naming = Naming {
        asset: arguments.asset.as_deref(),
        label: label.map(String::as_str),
        from: arguments.asset_from.or(submit.asset_from).unwrap_or_default(),
    };
    let trust = Trust { token_file: found.file.token_file.clone(), ca_file: found.file.ca_file.clone() };
    let fail_on = arguments.fail_on.or(submit.fail_on).unwrap_or_default();
    let timeout = arguments.timeout.or(submit.timeout).unwrap_or(600).min(86_400);
    Ok(Run {
        groups: errands(&files, &naming)?,
        link: Link {
            client: service::client(&server, false, &trust)?,
            server,
            retries: arguments.retries.or(submit.retries).unwrap_or(8),
            verbose: arguments.verbose,
            pace: pace::Pace::default(),
        },
        wishes: Wishes {
            production: production.clone(),
            gate: arguments.gate || submit.gate.unwrap_or(false),
            wait: arguments.wait || !arguments.no_wait && submit.wait.unwrap_or(true),
            always: arguments.always || submit.always.unwrap_or(false),
            profile: arguments.profile.as_ref().or(submit.profile.as_ref()).cloned(),
            catalogue: arguments.catalogue.as_ref().or(submit.catalogue.as_ref()).cloned(),
            if_match: arguments.if_match.clone(),
            fail_on,
            timeout: Duration::from_secs(timeout),
            reports: arguments.format.is_document() || arguments.format == Form::Text && files.len() == 1,
            previous: arguments.format.is_document() && arguments.format != Form::Json,
            text: arguments.format.reads_text(),
        },
        print: Print {
            form: arguments.format,
            production,
            fail_on,
            explain: arguments.explain,
            quiet: arguments.quiet,
        },
        jobs: arguments.jobs.map(usize::from).or(submit.jobs).unwrap_or(4).clamp(1, 64),
    })
}

/// Where the service is. A file that was only found, not named, is told: what it says decides who gets the token.
fn address(arguments: &Arguments, found: &Found) -> Result<Url, String> {
    let text = arguments.server.as_deref().or(found.file.server.as_deref());
    let text = text.unwrap_or("http://127.0.0.1:4791");
    let wrong = |why: &str| format!("the address of the service is wrong: {why}");
    let url = Url::parse(text).map_err(|error| wrong(&error.to_string()))?;
    if !url.username().is_empty() || url.password().is_some() {
        return Err(wrong(
            "it holds a name or a password, which would end in logs; set CONDYLE_TOKEN instead",
        ));
    }
    if let (None, None, Some(server), Some(path), false) =
        (&arguments.server, &arguments.config, &found.file.server, &found.path, arguments.quiet)
    {
        told(&format!("{server}, as {} says", path.display()));
    }
    Ok(url)
}

fn dry(run: &Run) -> ExitCode {
    use std::io::Write as _;
    let mut out = anstream::stdout().lock();
    for errand in run.groups.iter().flatten() {
        let label = errand.label.as_deref().unwrap_or("(by its bytes)");
        let production = &run.wishes.production;
        let _ = writeln!(out, "{}: {production}/{} {label}", errand.path.display(), errand.asset);
    }
    ExitCode::SUCCESS
}

/// Runs every errand, several at once but those of one asset in turn, until all are done or somebody says stop. The
/// outcomes are in the order of the paths.
async fn all(run: &Run, progress: &Progress) -> Vec<Outcome> {
    let mut done: Vec<Outcome> = Vec::new();
    {
        let groups = stream::iter(&run.groups).map(|group| {
            Box::pin(stream::iter(group).then(|errand| async move {
                let bar = progress.begin(&errand.path.to_string_lossy());
                let outcome = take(errand, &run.link, &run.wishes, &bar).await;
                progress.end(&bar);
                outcome
            }))
        });
        let mut running = std::pin::pin!(groups.flatten_unordered(run.jobs));
        let mut stop = std::pin::pin!(signals::stop());
        loop {
            let outcome = tokio::select! {
                outcome = running.next() => outcome,
                () = &mut stop => None,
            };
            let Some(outcome) = outcome else { break };
            run.print.one(&outcome);
            done.push(outcome);
        }
    }
    let over: BTreeSet<PathBuf> = done.iter().map(|one| one.errand.path.clone()).collect();
    for errand in run.groups.iter().flatten() {
        if !over.contains(&errand.path) {
            let stopped = Outcome::new(errand, errand.label.clone().unwrap_or_default(), Became::Stopped);
            run.print.one(&stopped);
            done.push(stopped);
        }
    }
    done.sort_by(|a, b| a.errand.path.cmp(&b.errand.path));
    done
}
