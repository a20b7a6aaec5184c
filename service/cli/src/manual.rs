//! What makes a shell complete the command, and its manual pages; both are made from the command itself.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, CommandFactory as _};
use clap_complete::Shell;

use crate::{Command, exit};

/// Print what makes a shell complete this command.
///
/// For bash: condyle completions bash > /etc/bash_completion.d/condyle
#[derive(Debug, Args)]
pub(crate) struct Completions {
    /// The shell.
    #[arg(value_enum)]
    shell: Shell,
}

/// Write the manual pages into a folder: condyle.1, and one for each subcommand.
#[derive(Debug, Args)]
pub(crate) struct Manual {
    /// The folder; made where it is not there.
    folder: PathBuf,
}

pub(crate) fn completions(arguments: &Completions) -> ExitCode {
    let mut script = Vec::new();
    clap_complete::generate(arguments.shell, &mut Command::command(), "condyle", &mut script);
    match anstream::stdout().write_all(&script) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&error.to_string()),
    }
}

pub(crate) fn pages(arguments: &Manual) -> ExitCode {
    let command = Command::command().disable_help_subcommand(true);
    match std::fs::create_dir_all(&arguments.folder)
        .and_then(|()| write(&command, "condyle", &arguments.folder))
    {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&format!("{}: {error}", arguments.folder.display())),
    }
}

fn write(command: &clap::Command, name: &str, folder: &Path) -> std::io::Result<()> {
    let mut page = Vec::new();
    let spoken = name.replace('-', " ");
    let titled = command.clone().name(name.to_owned()).display_name(name.to_owned()).bin_name(spoken);
    clap_mangen::Man::new(titled).render(&mut page)?;
    std::fs::write(folder.join(format!("{name}.1")), page)?;
    for inner in command.get_subcommands() {
        write(&inner.clone().disable_help_subcommand(true), &format!("{name}-{}", inner.get_name()), folder)?;
    }
    Ok(())
}

fn failed(text: &str) -> ExitCode {
    crate::forms::told(text);
    ExitCode::from(exit::INPUT)
}
