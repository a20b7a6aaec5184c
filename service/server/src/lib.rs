//! The HTTP service: [`serve`] is all a program needs.
//!
//! Handlers extract, call one function of [`app`], and wrap; the work itself runs on [`pool`], never on the async
//! threads.
#![warn(missing_docs)]

pub mod access;
pub mod app;
pub mod blobs;
pub mod bodies;
pub mod changes;
pub mod clock;
pub mod config;
mod connections;
pub mod desk;
pub mod multipart;
pub mod openapi;
pub mod pool;
pub mod problem;
pub mod queue;
pub mod routes;
pub mod spans;
pub mod state;
pub mod store;
pub mod submission;
pub mod telemetry;
mod tls;
mod trace;
mod unread;
pub mod webhooks;
pub mod worker;

use std::net::SocketAddr;
use std::path::PathBuf;

use config::Config;
use state::App;
use tokio::net::TcpListener;

/// Why the service did not start, or stopped.
#[derive(Debug)]
pub enum ServeError {
    /// The port is taken; the next free one on the same address.
    PortTaken(SocketAddr, Option<u16>),
    /// The address cannot be listened on.
    Listen(SocketAddr, String),
    /// Everybody could reach it, and no tokens are asked for.
    Open(SocketAddr),
    /// The certificate or its key cannot be used.
    Tls(String),
    /// The store cannot be opened.
    Store(PathBuf, String),
    /// The configuration makes no sense.
    Configuration(String),
}

impl std::fmt::Display for ServeError {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::PortTaken(address, Some(free)) => {
                write!(
                    out,
                    "port {} is taken; {}:{free} is free (--listen {}:{free})",
                    address.port(),
                    address.ip(),
                    address.ip()
                )
            }
            Self::PortTaken(address, None) => write!(out, "port {} is taken", address.port()),
            Self::Listen(address, error) => write!(out, "cannot listen on {address}: {error}"),
            Self::Open(address) => write!(
                out,
                "{address} is not loopback, and no tokens are asked for: whoever reaches it could do everything. Set \
                 access.tokens (condyle token create makes the first one), or access.anyone if that is meant"
            ),
            Self::Tls(error) => write!(out, "TLS: {error}"),
            Self::Configuration(error) => write!(out, "the configuration: {error}"),
            Self::Store(folder, error) => {
                write!(out, "cannot use the store in {}: {error}", folder.display())
            }
        }
    }
}

impl std::error::Error for ServeError {}

/// Serves until `stop` resolves, then finishes what was accepted. `ready` is told the address.
pub async fn serve(
    config: Config,
    ready: impl FnOnce(SocketAddr),
    stop: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    let address = config.server.listen;
    if !address.ip().is_loopback() && !config.access.tokens && !config.access.anyone {
        return Err(ServeError::Open(address));
    }
    let certificates = if config.tls.on() {
        Some(tls::Certificates::open(&config.tls).map_err(ServeError::Tls)?)
    } else {
        None
    };
    let listener = match TcpListener::bind(address).await {
        Ok(listener) => listener,
        Err(error) if error.kind() == std::io::ErrorKind::AddrInUse => {
            return Err(ServeError::PortTaken(address, next_free(address).await));
        }
        Err(error) => return Err(ServeError::Listen(address, error.to_string())),
    };
    let local = listener.local_addr().map_err(|e| ServeError::Listen(address, e.to_string()))?;
    let server = config.server.clone();
    let app = App::open(config).await?;
    let (store, spans) = (app.store.clone(), app.spans.clone());
    warn_of_access(&app, local, certificates.is_some()).await;
    let workers = worker::start(&app);
    let courier = webhooks::courier::start(&app);
    let mut tasks = tokio::task::JoinSet::new();
    tasks.spawn(app::remove::sweep_for_good(app.clone()));
    tasks.spawn(app::rejudge::for_good(app.clone()));
    tasks.spawn(access::write_for_good(app.clone()));
    if let Some(certificates) = &certificates {
        tasks.spawn(certificates.clone().reload_for_good());
    }
    let access = app.access.clone();
    let router = routes::router(app);
    ready(local);
    let changes = store.changes().clone();
    let stop = async move {
        stop.await;
        // Those who listen would never go.
        changes.close();
    };
    let acceptor =
        certificates.as_ref().map(tls::Certificates::acceptor).transpose().map_err(ServeError::Tls)?;
    connections::serve(listener, acceptor, router, &server, stop).await;
    workers.stop().await;
    courier.stop().await;
    tasks.shutdown().await;
    if let Err(error) = access.clerk().write(&store, clock::now_ms()).await {
        tracing::warn!(%error, "uses of tokens and refusals are not written");
    }
    store.close().await;
    spans.close().await;
    Ok(())
}

/// Says what an operator should know about who can reach the service.
async fn warn_of_access(app: &App, address: SocketAddr, encrypted: bool) {
    let elsewhere = !address.ip().is_loopback();
    if app.access.on() {
        match app.store.has_token(clock::now_ms()).await {
            Ok(false) => tracing::warn!("there is no good token yet; condyle token create makes one"),
            Ok(true) => {}
            Err(error) => tracing::warn!(%error, "tokens cannot be read"),
        }
        if elsewhere && !encrypted {
            tracing::warn!(
                "tokens travel unencrypted unless a proxy in front speaks TLS; see tls.certificate_file"
            );
        }
    } else if elsewhere {
        tracing::warn!(
            "whoever reaches the port can do everything: access.anyone is set and access.tokens is not"
        );
    }
}

/// The next free port after a taken one, same address.
async fn next_free(address: SocketAddr) -> Option<u16> {
    for port in (address.port()..u16::MAX).skip(1).take(50) {
        if TcpListener::bind(SocketAddr::new(address.ip(), port)).await.is_ok() {
            return Some(port);
        }
    }
    None
}
