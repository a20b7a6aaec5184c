//! TLS by rustls, with a certificate that is read again when its files change. Connections that are there go on with
//! the one they began with; a certificate that cannot be used changes nothing.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::{Duration, SystemTime};

use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use rustls::{ServerConfig, crypto::CryptoProvider};
use tokio_rustls::TlsAcceptor;

use crate::config::Tls;

/// When and how large the two files were.
type Stamp = [Option<(SystemTime, u64)>; 2];

/// The certificate that is shown now.
#[derive(Debug)]
pub(crate) struct Certificates {
    certificate: PathBuf,
    key: PathBuf,
    every: Duration,
    shown: RwLock<Arc<CertifiedKey>>,
    seen: Mutex<Stamp>,
}

impl Certificates {
    /// Reads the files.
    pub(crate) fn open(settings: &Tls) -> Result<Arc<Self>, String> {
        let (certificate, key) = (settings.certificate_file.clone(), settings.key_file.clone());
        let seen = stamp(&certificate, &key);
        let shown = RwLock::new(Arc::new(read(&certificate, &key)?));
        let every = Duration::from_secs(settings.reload_s);
        Ok(Arc::new(Self { certificate, key, every, shown, seen: Mutex::new(seen) }))
    }

    /// What greets connections.
    pub(crate) fn acceptor(self: &Arc<Self>) -> Result<TlsAcceptor, String> {
        let mut config = ServerConfig::builder_with_provider(provider())
            .with_safe_default_protocol_versions()
            .map_err(|error| error.to_string())?
            .with_no_client_auth()
            .with_cert_resolver(Arc::clone(self) as Arc<dyn ResolvesServerCert>);
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(TlsAcceptor::from(Arc::new(config)))
    }

    /// Looks now and then, and on SIGHUP, until it is dropped.
    pub(crate) async fn reload_for_good(self: Arc<Self>) {
        let mut asked = Hangup::listen();
        loop {
            let always = tokio::select! {
                () = tokio::time::sleep(self.every) => false,
                () = asked.heard() => true,
            };
            let this = Arc::clone(&self);
            let _ = tokio::task::spawn_blocking(move || this.reload(always)).await;
        }
    }

    /// Reads the files again if they changed, or `always`. Whether another certificate is shown now.
    fn reload(&self, always: bool) -> bool {
        let now = stamp(&self.certificate, &self.key);
        let before = std::mem::replace(&mut *self.seen.lock().unwrap_or_else(PoisonError::into_inner), now);
        if now == before && !always {
            return false;
        }
        match read(&self.certificate, &self.key) {
            Ok(fresh) => {
                *self.shown.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(fresh);
                tracing::info!("another certificate is shown from now on");
                true
            }
            // Perhaps one of the two files is still to come; then the next look sees it.
            Err(error) => {
                tracing::error!(error, "the certificate stays as it was");
                false
            }
        }
    }
}

impl ResolvesServerCert for Certificates {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(Arc::clone(&self.shown.read().unwrap_or_else(PoisonError::into_inner)))
    }
}

fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

fn stamp(certificate: &Path, key: &Path) -> Stamp {
    [certificate, key].map(|path| {
        let metadata = std::fs::metadata(path).ok()?;
        Some((metadata.modified().ok()?, metadata.len()))
    })
}

/// A certificate with its chain and its key, which must belong to it.
fn read(certificate: &Path, key: &Path) -> Result<CertifiedKey, String> {
    let wrong = |path: &Path, error: String| format!("{}: {error}", path.display());
    let chain = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|error| wrong(certificate, error.to_string()))?;
    if chain.is_empty() {
        return Err(wrong(certificate, "there is no certificate in it".to_owned()));
    }
    let secret = PrivateKeyDer::from_pem_file(key).map_err(|error| wrong(key, error.to_string()))?;
    CertifiedKey::from_der(chain, secret, &provider()).map_err(|error| wrong(key, error.to_string()))
}

/// SIGHUP, where there is one.
struct Hangup {
    #[cfg(unix)]
    signal: Option<tokio::signal::unix::Signal>,
}

impl Hangup {
    #[cfg(unix)]
    fn listen() -> Self {
        use tokio::signal::unix::{SignalKind, signal};
        Self { signal: signal(SignalKind::hangup()).ok() }
    }

    #[cfg(not(unix))]
    fn listen() -> Self {
        Self {}
    }

    async fn heard(&mut self) {
        #[cfg(unix)]
        if let Some(signal) = &mut self.signal
            && signal.recv().await.is_some()
        {
            return;
        }
        std::future::pending::<()>().await;
    }
}
