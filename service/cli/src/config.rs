//! `condyle config show|check`.

use std::io::Write as _;
use std::process::ExitCode;

use clap::{Args, Subcommand};
use toml::Table;

use crate::exit;
use crate::serve;

/// Show or check the service's configuration.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Every value, and where it came from.
    Show(serve::Arguments),
    /// Whether file, environment and flags are sound.
    Check(serve::Arguments),
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let (Action::Show(layers) | Action::Check(layers)) = &arguments.action;
    let layered = match layers.layered() {
        Ok(layered) => layered,
        Err(error) => return serve::failed(&error.to_string(), exit::INPUT),
    };
    let mut out = anstream::stdout().lock();
    if matches!(arguments.action, Action::Check(_)) {
        let _ = writeln!(out, "the configuration is sound");
        return ExitCode::SUCCESS;
    }
    let Ok(table) = Table::try_from(&layered.config) else { return ExitCode::from(exit::INPUT) };
    for (section, keys) in &table {
        let _ = writeln!(out, "[{section}]");
        for (key, value) in keys.as_table().into_iter().flatten() {
            let origin = layered.origin.get(&format!("{section}.{key}")).map_or("?", String::as_str);
            let _ = writeln!(out, "{:40} # {origin}", format!("{key} = {value}"));
        }
    }
    ExitCode::SUCCESS
}
