//! `condyle trial-bind`: binds a plan, or a model's own skeleton, to a model on trial, without a server.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use condyle_core::bind::{Summary, own_skeleton};
use condyle_core::check::{Request, Unobserved, run_then};
use condyle_core::facts::Facts;
use condyle_core::figure::{self, winners};
use condyle_core::intake::{self, Bundle, Intake, Limits, Upload};
use condyle_core::model::{NodeId, Source};
use condyle_core::render;
use condyle_core::repair::{Bound, bind_model};

use crate::exit;
use crate::policy;

/// Bind a plan to a model on trial: the weights it would get, and what would go wrong.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// The plan; or a model that has a skeleton of its own, alone.
    plan: PathBuf,
    /// The model: a GLB, or a glTF with its content inside.
    model: Option<PathBuf>,
    /// A built-in profile, or a profile file.
    #[arg(long, default_value = "realtime")]
    profile: String,
    /// Write the model, bound.
    #[arg(long, short)]
    out: Option<PathBuf>,
    /// Influences kept per vertex; unless said, as many as the profile's target reads.
    #[arg(long, value_parser = clap::value_parser!(u8).range(1..=8))]
    influences: Option<u8>,
    /// Every vertex of the written model in the colour of the joint that wins it, on a plain material.
    #[arg(long, requires = "out")]
    colours: bool,
    /// Write a drawing of which joint wins where, SVG.
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
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
    let name = |path: &PathBuf| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let limits = Limits::default();
    let path = arguments.model.as_ref().unwrap_or(&arguments.plan);
    let (model, model_name) = (read(path)?, name(path));
    let body = Bundle { model: Some(Upload { name: &model_name, bytes: &model }), ..Bundle::default() };
    let (plan, plan_name) =
        (arguments.model.as_ref().map(|_| read(&arguments.plan)).transpose()?, name(&arguments.plan));
    let plan = plan.as_ref().map(|bytes| Upload { name: &plan_name, bytes });
    let (input, nodes) = taken_in(&Bundle { plan, ..body.clone() }, &limits)?;
    let today = jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date();
    let request = Request {
        only: vec!["forecast".into()],
        influences: arguments.influences.map(usize::from),
        ..Request::all(&profile, today)
    };
    let (report, (summary, written)) = run_then(&input, &request, &Unobserved, |facts| {
        let written = write(arguments, &body, &limits, facts, nodes.as_deref(), &model_name);
        (Summary::of(facts).ok_or_else(|| facts.trial_bind().err()), written)
    })
    .map_err(|error| format!("the waivers cannot be read: {error:?}"))?;
    written?;
    let mut out = anstream::stdout().lock();
    if arguments.json {
        let refused = summary.as_ref().err().and_then(|refusal| refusal.map(|refusal| refusal.reason()));
        let mut answer =
            serde_json::json!({"report": report, "bind": summary.as_ref().ok(), "refused": refused});
        if let (Some(plan), Some(_)) = (&input.plan, &nodes) {
            answer["plan"] = plan.clone();
        }
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

/// Reads a plan with its model, or a model with the plan of its own skeleton; then also which node each joint is.
fn taken_in(bundle: &Bundle<'_>, limits: &Limits) -> Result<(Intake, Option<Vec<NodeId>>), String> {
    let read = intake::read(bundle, limits).map_err(|fault| fault.to_string())?;
    if read.rig.source == Source::Gltf {
        let own = own_skeleton(read, limits).map_err(|none| none.reason())?;
        return Ok((own.intake, Some(own.nodes)));
    }
    if read.rig.body.is_none() {
        return Err("a trial bind takes a plan and a model, or a model that has a skeleton of its own".into());
    }
    Ok((read, None))
}

/// Writes the bound model and the drawing, where they are asked for.
fn write(
    arguments: &Arguments,
    body: &Bundle<'_>,
    limits: &Limits,
    facts: &Facts<'_>,
    nodes: Option<&[NodeId]>,
    title: &str,
) -> Result<(), String> {
    let save = |out: &PathBuf, bytes: &[u8]| {
        std::fs::write(out, bytes).map_err(|error| format!("{}: {error}", out.display()))
    };
    if let Some(out) = &arguments.out {
        let read = intake::read(body, limits).map_err(|fault| fault.to_string())?;
        let bound = Bound { influences: None, colours: arguments.colours, nodes };
        save(out, &bind_model(body, &read, facts, bound, limits)?)?;
    }
    if let Some(out) = &arguments.svg
        && let Some(drawn) = winners(facts, title, &figure::Options::default())
    {
        save(out, drawn.as_bytes())?;
    }
    Ok(())
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
    let _ = writeln!(
        out,
        "{} welded, {} degenerate and {} repeated triangles left out, {} corners clamped, {} of {} edges raised; \
         {} influences kept; {} MB",
        summary.welded,
        summary.degenerate,
        summary.repeated,
        summary.clamped,
        summary.raised,
        summary.edges,
        summary.influences,
        summary.bytes.div_ceil(1_000_000)
    );
    if summary.rigid_pieces || summary.pieces > 0 {
        let made = if summary.rigid_pieces { "the body is made of rigid pieces; " } else { "" };
        let _ = writeln!(out, "{made}{} parts follow the joint that carries them", summary.pieces);
    }
    if let Some(reduced) = &summary.reduced {
        let _ = writeln!(
            out,
            "bound by a smaller mesh: {} points lie {:.3} mm from it on average, {:.3} mm at most",
            reduced.points,
            reduced.mean_distance * 1e3,
            reduced.largest_distance * 1e3
        );
    }
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
