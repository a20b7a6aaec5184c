//! `condyle`: checks rigs at the desk, and runs the service.

mod catalogue;
mod check;
#[cfg(feature = "server")]
mod config;
#[cfg(feature = "server")]
mod demo;
mod diff;
mod figure;
mod forms;
mod gate;
mod inputs;
mod manual;
mod parents;
mod policy;
mod repair;
mod rules;
#[cfg(feature = "server")]
mod serve;
#[cfg(feature = "client")]
mod service;
#[cfg(feature = "client")]
mod settings;
#[cfg(feature = "client")]
mod signals;
#[cfg(feature = "client")]
mod submit;
#[cfg(feature = "server")]
mod token;
#[cfg(feature = "server")]
mod transfer;
mod trial_bind;
mod watch;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// What the process tells its caller: 0 the gate passes, 1 it does not, 2 usage or broken input, 3 the service cannot
/// be reached.
mod exit {
    /// The gate is closed.
    pub(crate) const GATE: u8 = 1;
    /// Usage, or input that makes no rig; beats 1.
    pub(crate) const INPUT: u8 = 2;
    /// The service cannot be started or reached.
    #[cfg(feature = "client")]
    pub(crate) const SERVICE: u8 = 3;
    /// Somebody stopped it (128 and the number of the signal, as shells have it).
    #[cfg(feature = "client")]
    pub(crate) const STOPPED: u8 = 130;
}

/// Tells whether a skeleton fits its body. Without a command: the service with the demo characters.
#[derive(Debug, Parser)]
#[command(name = "condyle", version, about)]
#[cfg_attr(not(feature = "server"), command(arg_required_else_help = true))]
struct Command {
    #[command(subcommand)]
    action: Option<Action>,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Check plans and models here, without a server.
    Check(check::Arguments),
    /// Apply the fixes of findings to a file, without a server.
    Repair(repair::Arguments),
    /// Suggest the parents of joints that have none.
    Parents(parents::Arguments),
    /// Turn every joint of bound models alone, and measure what the skin does.
    Sweep(check::SweepArguments),
    /// Bind a plan to a model on trial.
    TrialBind(trial_bind::Arguments),
    /// Draw the skeleton over the outline of its body, findings marked, as SVG.
    Figure(figure::Arguments),
    /// Tell what changed between two files, or two reports.
    Diff(diff::Arguments),
    /// Check files again whenever they are saved, without a server.
    Watch(watch::Arguments),
    /// List the checks, or print the page of one.
    Catalogue(catalogue::Arguments),
    /// List profiles, print one, or look for mistakes in profile files.
    Profile(policy::Arguments),
    /// Send files to the service as revisions, and wait for their reports.
    ///
    /// A token that the service asks for comes from `CONDYLE_TOKEN`, or from the file that `CONDYLE_TOKEN_FILE` names; it
    /// needs the scopes submit and read. Certificates to trust beside the system's come from `CONDYLE_CA_FILE`. A
    /// `condyle.toml` holds what is always the same; a flag beats the environment, which beats the file.
    #[cfg(feature = "client")]
    Submit(submit::Arguments),
    /// Print what makes a shell complete this command.
    Completions(manual::Completions),
    /// Write the manual pages into a folder.
    Manual(manual::Manual),
    /// Run the service.
    #[cfg(feature = "server")]
    Serve(serve::Arguments),
    /// Run the service and submit the demo characters (the same as no command).
    #[cfg(feature = "server")]
    Demo(serve::Arguments),
    /// Write a whole production of a service to a file.
    ///
    /// Tokens and certificates as for `submit`; the scope is read.
    #[cfg(feature = "server")]
    Export(transfer::Export),
    /// Take a production in from a file that an export wrote.
    ///
    /// Tokens and certificates as for `submit`; the scope is administer.
    #[cfg(feature = "server")]
    Import(transfer::Import),
    /// Copy a data folder, also while a service works on it.
    #[cfg(feature = "server")]
    Backup(transfer::Backup),
    /// Make, list, rotate and revoke tokens of the service on this machine.
    #[cfg(feature = "server")]
    Token(token::Arguments),
    /// Show or check the service's configuration.
    #[cfg(feature = "server")]
    Config(config::Arguments),
}

fn main() -> ExitCode {
    match Command::parse().action {
        Some(Action::Check(arguments)) => check::run(&arguments),
        Some(Action::Repair(arguments)) => repair::run(&arguments),
        Some(Action::Parents(arguments)) => parents::run(&arguments),
        Some(Action::Sweep(arguments)) => check::sweep(arguments),
        Some(Action::TrialBind(arguments)) => trial_bind::run(&arguments),
        Some(Action::Figure(arguments)) => figure::run(&arguments),
        Some(Action::Diff(arguments)) => diff::run(&arguments),
        Some(Action::Watch(arguments)) => watch::run(&arguments),
        Some(Action::Completions(arguments)) => manual::completions(&arguments),
        Some(Action::Manual(arguments)) => manual::pages(&arguments),
        Some(Action::Catalogue(arguments)) => catalogue::run(&arguments),
        Some(Action::Profile(arguments)) => policy::run(&arguments),
        #[cfg(feature = "client")]
        Some(Action::Submit(arguments)) => submit::run(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Serve(arguments)) => serve::run(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Demo(arguments)) => demo::run(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Export(arguments)) => transfer::export(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Import(arguments)) => transfer::import(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Backup(arguments)) => transfer::backup(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Token(arguments)) => token::run(&arguments),
        #[cfg(feature = "server")]
        Some(Action::Config(arguments)) => config::run(&arguments),
        #[cfg(feature = "server")]
        None => demo::run(&serve::Arguments::default()),
        #[cfg(not(feature = "server"))]
        None => ExitCode::from(exit::INPUT),
    }
}
