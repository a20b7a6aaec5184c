//! The HTTP service: [`serve`] is all a program needs.
//!
//! Handlers extract, call one function of [`app`], and wrap; the work itself runs on [`pool`], never on the async
//! threads.
#![warn(missing_docs)]

pub mod app;
pub mod blobs;
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
mod trace;
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
    let workers = worker::start(&app);
    let courier = webhooks::courier::start(&app);
    let sweeper = tokio::spawn(app::remove::sweep_for_good(app.clone()));
    let rejudging = tokio::spawn(app::rejudge::for_good(app.clone()));
    let router = routes::router(app);
    ready(local);
    let changes = store.changes().clone();
    let stop = async move {
        stop.await;
        // Those who listen would never go.
        changes.close();
    };
    connections::serve(listener, router, &server, stop).await;
    workers.stop().await;
    courier.stop().await;
    sweeper.abort();
    rejudging.abort();
    store.close().await;
    spans.close().await;
    Ok(())
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
