//! `condyle`: checks rigs at the desk, and runs the service.

mod catalogue;
mod check;
mod inputs;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// What the process tells its caller (product.md): 0 the gate passes, 1 it does not, 2 usage or broken input,
/// 3 the service cannot be reached.
mod exit {
    /// The gate is closed.
    pub(crate) const GATE: u8 = 1;
    /// Usage, or input that makes no rig; beats 1.
    pub(crate) const INPUT: u8 = 2;
}

/// Tells whether a skeleton fits its body.
#[derive(Debug, Parser)]
#[command(name = "condyle", version, about, arg_required_else_help = true)]
struct Command {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Check plans and models here, without a server.
    Check(check::Arguments),
    /// List the checks, or print the page of one.
    Catalogue(catalogue::Arguments),
}

fn main() -> ExitCode {
    let command = Command::parse();
    match command.action {
        Action::Check(arguments) => check::run(&arguments),
        Action::Catalogue(arguments) => catalogue::run(&arguments),
    }
}
