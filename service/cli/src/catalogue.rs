//! `condyle catalogue`.

use std::io::Write as _;
use std::process::ExitCode;

use clap::Args;
use condyle_core::check::{CHECKS, find};

use crate::exit;

/// List the checks, or print the page of one.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    /// The check's id.
    id: Option<String>,
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let mut out = anstream::stdout().lock();
    let Some(id) = &arguments.id else {
        for check in CHECKS {
            let _ = writeln!(out, "{:34} {}", check.id, check.summary);
        }
        return ExitCode::SUCCESS;
    };
    match find(id) {
        Ok(check) => {
            let _ = out.write_all(check.page.as_bytes());
            ExitCode::SUCCESS
        }
        Err(unknown) => {
            let hint = unknown.suggestion.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
            let _ = writeln!(anstream::stderr(), "condyle: no check is called {id}{hint}");
            ExitCode::from(exit::INPUT)
        }
    }
}
