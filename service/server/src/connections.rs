//! Accepts connections, encrypted or not: a bounded number, none of them for nothing, and a stop that finishes what was
//! accepted.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use tokio_io_timeout::TimeoutStream;
use tokio_rustls::TlsAcceptor;
use tower::Service as _;

use crate::access::Peer;
use crate::config::Server;
use crate::unread::HeardOut;

/// Serves until `stop` resolves and what was accepted is answered, or the patience for that is over.
pub(crate) async fn serve(
    listener: TcpListener,
    acceptor: Option<TlsAcceptor>,
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
    // Who has not said a word yet is not waited for.
    let (stopping, stopped) = watch::channel(());
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
        let (stream, address) = match accepted {
            Ok(accepted) => accepted,
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
        let talk = Talk { http: http.clone(), watcher: graceful.watcher(), router: router.clone(), address };
        let (acceptor, patience) = (acceptor.clone(), settings.header_timeout_s);
        let mut stopped = stopped.clone();
        tokio::spawn(async move {
            match acceptor {
                None => talk.on(stream).await,
                Some(acceptor) => {
                    let greeted = tokio::select! {
                        greeted = tokio::time::timeout(Duration::from_secs(patience), acceptor.accept(stream)) => greeted,
                        _ = stopped.changed() => return,
                    };
                    match greeted {
                        Ok(Ok(stream)) => talk.on(stream).await,
                        Ok(Err(error)) => tracing::debug!(%error, "no TLS came about"),
                        Err(_) => tracing::debug!("no TLS came about in time"),
                    }
                }
            }
            drop(place);
        });
    }
    drop(listener);
    drop(stopping);
    let patience = Duration::from_secs(settings.shutdown_timeout_s);
    if tokio::time::timeout(patience, graceful.shutdown()).await.is_err() {
        tracing::warn!("stopped before everything was answered");
    }
}

/// One connection.
struct Talk {
    http: http1::Builder,
    watcher: Watcher,
    router: Router,
    address: SocketAddr,
}

impl Talk {
    async fn on(self, stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static) {
        let Self { http, watcher, router, address } = self;
        let service = service_fn(move |mut request: hyper::Request<Incoming>| {
            request.extensions_mut().insert(Peer(address));
            // A router is always ready.
            router.clone().call(HeardOut::of(request))
        });
        if let Err(error) = watcher.watch(http.serve_connection(TokioIo::new(stream), service)).await {
            tracing::debug!(%error, "a connection ended early");
        }
    }
}
