//! `condyle serve`: the service alone.

use std::io::Write as _;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Args;
use condyle_server::config::{ConfigError, Layered, load};
use condyle_server::telemetry;
use toml::Value;

use crate::exit;
use crate::signals::stop;

/// Run the service.
#[derive(Debug, Default, Args)]
pub(crate) struct Arguments {
    /// Address and port; port 0 takes a free one.
    #[arg(long)]
    pub(crate) listen: Option<SocketAddr>,
    /// Where the SQLite file and the blobs are.
    #[arg(long)]
    pub(crate) data_dir: Option<PathBuf>,
    /// A configuration file.
    #[arg(long)]
    pub(crate) config: Option<PathBuf>,
}

impl Arguments {
    /// The configuration with these flags on top.
    pub(crate) fn layered(&self) -> Result<Layered, ConfigError> {
        let mut flags = Vec::new();
        if let Some(listen) = self.listen {
            flags.push(("server.listen", Value::String(listen.to_string())));
        }
        if let Some(folder) = &self.data_dir {
            flags.push(("server.data_dir", Value::String(folder.display().to_string())));
        }
        load(self.config.as_deref(), std::env::vars(), &flags)
    }
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let config = match arguments.layered() {
        Ok(layered) => layered.config,
        Err(error) => return failed(&error.to_string(), exit::INPUT),
    };
    telemetry::logging(&config.log.filter, config.log.format == "json");
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => return failed(&error.to_string(), exit::SERVICE),
    };
    let scheme = if config.tls.on() { "https" } else { "http" };
    let ready = |address: SocketAddr| {
        let _ = writeln!(anstream::stdout(), "condyle listens on {scheme}://{address}");
    };
    match runtime.block_on(condyle_server::serve(config, ready, stop())) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => failed(&error.to_string(), exit::SERVICE),
    }
}

pub(crate) fn failed(text: &str, code: u8) -> ExitCode {
    let _ = writeln!(anstream::stderr(), "condyle: {text}");
    ExitCode::from(code)
}
