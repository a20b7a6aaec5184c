//! `condyle token`: tokens made at the machine itself, in the service's own store, whether it runs or not. The first
//! one cannot be made in another way.

use std::io::Write as _;
use std::process::ExitCode;

use clap::{Args, Subcommand};
use condyle_api::{NewToken, Rotation, Token, TokenSecret};
use condyle_server::access::Act;
use condyle_server::app::tokens;
use condyle_server::clock;
use condyle_server::config::Config;
use condyle_server::problem::ApiError;
use condyle_server::store::Store;

use crate::exit;
use crate::serve;

/// Tokens that one look reads.
const AT_ONCE: u32 = 500;

/// Make, list, rotate and revoke tokens of the service on this machine.
#[derive(Debug, Args)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Make a token. Its secret is printed once, alone, on the standard output.
    Create {
        /// Whose it is or what it is for.
        name: String,
        /// What it allows; several are fine.
        #[arg(long = "scope", required = true, value_parser = ["read", "submit", "administer"])]
        scopes: Vec<String>,
        /// Only for this production; several are fine, none means all.
        #[arg(long = "production")]
        productions: Vec<String>,
        /// Until when (RFC 3339); `access.token_days` from now unless said.
        #[arg(long)]
        expires_at: Option<String>,
        #[command(flatten)]
        layers: serve::Arguments,
    },
    /// The tokens, without their secrets.
    List {
        #[command(flatten)]
        layers: serve::Arguments,
    },
    /// Revoke a token for good; a service that runs refuses it within five seconds.
    Revoke {
        /// Its id.
        id: String,
        #[command(flatten)]
        layers: serve::Arguments,
    },
    /// Give a token another secret, which is printed once, alone, on the standard output.
    Rotate {
        /// Its id.
        id: String,
        /// Seconds that the old secret is good beside the new one.
        #[arg(long, default_value_t = 0)]
        overlap_s: u64,
        /// The new end (RFC 3339); unless said, the end stays.
        #[arg(long)]
        expires_at: Option<String>,
        #[command(flatten)]
        layers: serve::Arguments,
    },
}

impl Action {
    fn layers(&self) -> &serve::Arguments {
        match self {
            Self::Create { layers, .. }
            | Self::List { layers }
            | Self::Revoke { layers, .. }
            | Self::Rotate { layers, .. } => layers,
        }
    }
}

pub(crate) fn run(arguments: &Arguments) -> ExitCode {
    let config = match arguments.action.layers().layered() {
        Ok(layered) => layered.config,
        Err(error) => return serve::failed(&error.to_string(), exit::INPUT),
    };
    let runtime = match tokio::runtime::Runtime::new() {
        Ok(runtime) => runtime,
        Err(error) => return serve::failed(&error.to_string(), exit::SERVICE),
    };
    match runtime.block_on(act(&arguments.action, &config)) {
        Ok(()) => ExitCode::SUCCESS,
        Err((text, code)) => serve::failed(&text, code),
    }
}

async fn act(action: &Action, config: &Config) -> Result<(), (String, u8)> {
    let folder = &config.server.data_dir;
    let unusable =
        |error: String| (format!("cannot use the store in {}: {error}", folder.display()), exit::SERVICE);
    std::fs::create_dir_all(folder).map_err(|error| unusable(error.to_string()))?;
    let store = Store::configured(config).await.map_err(unusable)?;
    let outcome = on(&store, action, config).await;
    store.close().await;
    outcome.map_err(|error| {
        let problem = error.problem();
        let code = if problem.status >= 500 { exit::SERVICE } else { exit::INPUT };
        (format!("{}: {}", problem.title, problem.detail), code)
    })
}

async fn on(store: &Store, action: &Action, config: &Config) -> Result<(), ApiError> {
    let (act, now) = (Act::here(), clock::now_ms());
    match action {
        Action::Create { name, scopes, productions, expires_at, .. } => {
            let new = NewToken {
                name: name.clone(),
                scopes: scopes.iter().filter_map(|word| tokens::scope(word)).collect(),
                productions: Some(productions.clone()).filter(|names| !names.is_empty()),
                expires_at: expires_at.clone(),
            };
            show(&tokens::create(store, &config.access, new, &act, now).await?);
        }
        Action::Rotate { id, overlap_s, expires_at, .. } => {
            let how = Rotation { overlap_s: *overlap_s, expires_at: expires_at.clone() };
            show(&tokens::rotate(store, &config.access, id, how, &act, now).await?);
        }
        Action::Revoke { id, .. } => {
            let token = tokens::revoke(store, id, &act, now).await?;
            let _ = writeln!(anstream::stdout(), "{} ({}) is revoked", token.name, token.id);
        }
        Action::List { .. } => {
            let mut out = anstream::stdout();
            let mut after = None;
            loop {
                let mut found = tokens::list(store, after.as_ref(), AT_ONCE).await?;
                let more = found.len() > AT_ONCE as usize;
                found.truncate(AT_ONCE as usize);
                for token in &found {
                    let _ = writeln!(out, "{}", line(&token.wire(), &clock::rfc3339(now)));
                }
                match found.last().filter(|_| more) {
                    Some(last) => after = Some((last.created_ms, last.id.clone())),
                    None => break,
                }
            }
        }
    }
    Ok(())
}

/// The secret alone, for whoever reads it by program; the rest for people.
fn show(made: &TokenSecret) {
    let token = &made.token;
    let _ = writeln!(
        anstream::stderr(),
        "{} ({}), good until {}; its secret is shown this once:",
        token.name,
        token.id,
        token.expires_at
    );
    let _ = writeln!(anstream::stdout(), "{}", made.secret);
}

/// A token in a line; `now` as the same kind of text, which is in the order of time.
fn line(token: &Token, now: &str) -> String {
    let scopes: Vec<&str> = token.scopes.iter().map(|scope| scope.word()).collect();
    let of = token.productions.as_ref().map_or_else(|| "all productions".to_owned(), |names| names.join(","));
    let state = match &token.revoked_at {
        Some(at) => format!("revoked {at}"),
        None if token.expires_at.as_str() <= now => format!("expired {}", token.expires_at),
        None => format!("until {}", token.expires_at),
    };
    let used = token.last_used_at.as_deref().map_or_else(|| "never used".into(), |at| format!("used {at}"));
    format!("{}  {:20}  {:22}  {of}  {state}  {used}", token.id, token.name, scopes.join(","))
}
