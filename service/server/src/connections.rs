//! Accepts connections: a bounded number, none of them for nothing, and a stop that finishes what was accepted.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio_io_timeout::TimeoutStream;

use crate::config::Server;

/// Serves until `stop` resolves and what was accepted is answered, or the patience for that is over.
pub(crate) async fn serve(
    listener: TcpListener,
    router: Router,
    settings: &Server,
    stop: impl Future<Output = ()> + Send + 'static,
) {
    let places = Arc::new(Semaphore::new(settings.connections.min(Semaphore::MAX_PERMITS)));
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new())
        .header_read_timeout(Duration::from_secs(settings.header_timeout_s))
        .max_buf_size(128 * 1024);
    let graceful = GracefulShutdown::new();
    let mut stop = std::pin::pin!(stop);
    loop {
        let accepted = async {
            let place = places.clone().acquire_owned().await.ok()?;
            Some((listener.accept().await, place))
        };
        let (accepted, place) = tokio::select! {
            Some(accepted) = accepted => accepted,
            () = &mut stop => break,
        };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                // Out of file handles, or the caller went away: the next one may do better.
                tracing::warn!(%error, "a connection was not accepted");
                tokio::time::sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        let _ = stream.set_nodelay(true);
        // A caller that does not read what it asked for holds no connection for good.
        let mut stream = TimeoutStream::new(stream);
        stream.set_write_timeout(Some(Duration::from_secs(settings.write_timeout_s)));
        let stream = Box::pin(stream);
        let service = TowerToHyperService::new(router.clone());
        let connection = graceful.watch(http.serve_connection(TokioIo::new(stream), service));
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "a connection ended early");
            }
            drop(place);
        });
    }
    drop(listener);
    let patience = Duration::from_secs(settings.shutdown_timeout_s);
    if tokio::time::timeout(patience, graceful.shutdown()).await.is_err() {
        tracing::warn!("stopped before everything was answered");
    }
}
