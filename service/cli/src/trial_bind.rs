//! `condyle trial-bind`: binds a plan to a model on trial, without a server.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use condyle_core::bind::Summary;
use condyle_core::check::{Request, Unobserved, run_then};
use condyle_core::intake::{self, Bundle, Limits, Upload};
use condyle_core::render;
use condyle_core::repair::bind_model;

use crate::exit;
use crate::policy;

/// Bind a plan to a model on trial: the weights it would get, and what would go wrong.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// The plan.
    plan: PathBuf,
    /// The model: a GLB, or a glTF with its content inside.
    model: PathBuf,
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// Write the model, bound.
    #[arg(long, short)]
    out: Option<PathBuf>,
    /// Influences per vertex of the bound model.
    #[arg(long, default_value_t = 4, value_parser = clap::value_parser!(u8).range(1..=4))]
    influences: u8,
    /// Print JSON: the report, and the weights in numbers.
    #[arg(long)]
    json: bool,
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    match bind(arguments) {
        Ok(code) => code,
        Err(text) => {
            let _ = writeln!(anstream::stderr(), "condyle: {text}");
            ExitCode::from(exit::INPUT)
        }
    }
}

fn bind(arguments: &Arguments) -> Result<ExitCode, String> {
    let profile = policy::profile(&arguments.profile)?;
    let read = |path: &PathBuf| std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()));
    let (plan, model) = (read(&arguments.plan)?, read(&arguments.model)?);
    let name = |path: &PathBuf| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let (plan_name, model_name) = (name(&arguments.plan), name(&arguments.model));
    let limits = Limits::default();
    let body = Bundle { model: Some(Upload { name: &model_name, bytes: &model }), ..Bundle::default() };
    let both = Bundle { plan: Some(Upload { name: &plan_name, bytes: &plan }), ..body.clone() };
    let input = intake::read(&both, &limits).map_err(|fault| fault.to_string())?;
    let today = jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
    let request = Request { only: vec!["forecast".into()], ..Request::all(&profile, today) };
    let (report, (summary, bound)) = run_then(&input, &request, &Unobserved, |facts| {
        let bound = arguments.out.as_ref().map(|out| {
            let read = intake::read(&body, &limits).map_err(|fault| fault.to_string())?;
            let bytes = bind_model(&body, &read, facts, usize::from(arguments.influences), &limits)?;
            std::fs::write(out, bytes).map_err(|error| format!("{}: {error}", out.display()))
        });
        (Summary::of(facts).ok_or_else(|| facts.trial_bind().err()), bound)
    })
    .map_err(|error| format!("the waivers cannot be read: {error:?}"))?;
    bound.transpose()?;
    let mut out = anstream::stdout().lock();
    if arguments.json {
        let refused = summary.as_ref().err().and_then(|refusal| refusal.map(|refusal| refusal.reason()));
        let answer = serde_json::json!({"report": report, "bind": summary.as_ref().ok(), "refused": refused});
        let _ = writeln!(out, "{answer:#}");
    } else {
        let _ = write!(out, "{}", render::text(&report, render::Style::default()));
        match &summary {
            Ok(summary) => table(&mut out, summary),
            Err(refusal) => {
                let reason = refusal.map_or("there is no bind", |refusal| refusal.reason());
                let _ = writeln!(out, "not bound: {reason}");
            }
        }
    }
    Ok(if report.gate.passed { ExitCode::SUCCESS } else { ExitCode::from(exit::GATE) })
}

fn table(out: &mut impl std::io::Write, summary: &Summary) {
    let _ = writeln!(
        out,
        "{} points, {} triangles, {} shells ({} whole with one joint); confidence {:.2}; {:.1} % sees no joint",
        summary.points,
        summary.triangles,
        summary.shells,
        summary.rigid_shells,
        summary.confidence,
        summary.unseen * 100.0
    );
    let _ = writeln!(out, "{:>7}  {:>7}  {:>10}  joint", "owns", "weight", "radius");
    for joint in &summary.joints {
        let _ = writeln!(
            out,
            "{:>6.2}%  {:>6.2}%  {:>7.1} mm  {}",
            joint.owns * 100.0,
            joint.weight * 100.0,
            joint.radius * 1e3,
            joint.name
        );
    }
}
