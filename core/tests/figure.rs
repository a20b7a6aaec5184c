//! Figures, read back by an XML parser that shares nothing with what wrote them (roxmltree): the demo characters, every
//! real model of `../shared/data/models`, what an outside reader measured of them, and hostile rigs.
//!
//! `CONDYLE_FIGURES=FOLDER` writes every figure there, to be looked at.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]

#[path = "figure/colours.rs"]
mod colours;
#[path = "figure/demo.rs"]
mod demo;
#[path = "figure/hostile.rs"]
mod hostile;
#[path = "figure/models.rs"]
mod models;
#[path = "figure/sheet.rs"]
mod sheet;

use std::path::Path;
use std::process::ExitCode;

use condyle_core::check::{Profile, Request, Unobserved, run};
use condyle_core::figure::{Figure, Options, figure};
use condyle_core::intake::Intake;
use condyle_core::report::Report;
use libtest_mimic::Arguments;

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let trials = [demo::trials(), hostile::trials(), colours::trials(), models::trials()];
    libtest_mimic::run(&arguments, trials.into_iter().flatten().collect()).exit_code()
}

fn checked(intake: &Intake) -> Report {
    run(intake, &Request::all(&Profile::realtime(), "2026-11-25".parse().unwrap()), &Unobserved).unwrap()
}

/// Draws it, and keeps the drawing where somebody wants to look at it.
fn drawn(name: &str, intake: &Intake, report: &Report, options: &Options) -> Figure {
    let figure = figure(&intake.rig, name, Some(report), options);
    if let Some(folder) = std::env::var_os("CONDYLE_FIGURES") {
        let name = name.replace(['/', ' '], "_");
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(Path::new(&folder).join(format!("{name}.{}.svg", options.width)), &figure.svg)
            .unwrap();
    }
    figure
}
