//! How this program talks to a service: whose token it sends, and whom it trusts.
//!
//! A token comes from the environment or from a file, never from a flag: flags can be read by everybody on the machine
//! and end in the history of shells.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use reqwest::header::{AUTHORIZATION, HeaderMap, HeaderValue};
use reqwest::{Certificate, Client, Url};

/// The token itself.
const TOKEN: &str = "CONDYLE_TOKEN";
/// A file that holds the token.
const TOKEN_FILE: &str = "CONDYLE_TOKEN_FILE";
/// A file of certificates (PEM) that are trusted beside those of the system.
const CA_FILE: &str = "CONDYLE_CA_FILE";

/// What a file of settings names; the environment beats it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trust {
    /// A file that holds the token.
    pub(crate) token_file: Option<PathBuf>,
    /// A file of certificates.
    pub(crate) ca_file: Option<PathBuf>,
}

/// A client for a service; `proxies` as the system has them, or none.
pub(crate) fn client(server: &Url, proxies: bool, trust: &Trust) -> Result<Client, String> {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let mut builder = Client::builder();
    if !proxies {
        builder = builder.no_proxy();
    }
    let given = std::env::var_os(CA_FILE).filter(|path| !path.is_empty()).map(PathBuf::from);
    if let Some(path) = given.or_else(|| trust.ca_file.clone()) {
        let wrong = |error: String| format!("{CA_FILE}: {}: {error}", path.display());
        let text = std::fs::read(&path).map_err(|error| wrong(error.to_string()))?;
        let trusted = Certificate::from_pem_bundle(&text).map_err(|error| wrong(error.to_string()))?;
        builder = builder.tls_certs_merge(trusted);
    }
    if let Some(token) = token(trust)? {
        if server.scheme() == "http" && !is_loopback(server) {
            let _ = writeln!(
                anstream::stderr(),
                "condyle: the token travels unencrypted to {}; use https",
                server.host_str().unwrap_or("the service")
            );
        }
        let mut value = HeaderValue::from_str(&format!("Bearer {token}"))
            .map_err(|_| "the token has letters that no token has".to_owned())?;
        // Not shown where headers are printed.
        value.set_sensitive(true);
        let mut headers = HeaderMap::new();
        headers.insert(AUTHORIZATION, value);
        builder = builder.default_headers(headers);
    }
    builder.build().map_err(|error| error.to_string())
}

/// The token of the environment, or of the file that it or the settings name; none where there is neither.
fn token(trust: &Trust) -> Result<Option<String>, String> {
    let given = |name: &str| std::env::var(name).ok().filter(|text| !text.trim().is_empty());
    match (given(TOKEN), given(TOKEN_FILE)) {
        (Some(_), Some(_)) => Err(format!("set {TOKEN} or {TOKEN_FILE}, not both")),
        (Some(token), None) => Ok(Some(token.trim().to_owned())),
        (None, Some(path)) => from_file(Path::new(&path), TOKEN_FILE),
        (None, None) => match &trust.token_file {
            Some(path) => from_file(path, "token_file"),
            None => Ok(None),
        },
    }
}

/// An empty file would mean asking without a token, and a refusal that does not say why.
fn from_file(path: &Path, what: &str) -> Result<Option<String>, String> {
    let wrong = |why: &str| format!("{what}: {}: {why}", path.display());
    let text = std::fs::read_to_string(path).map_err(|error| wrong(&error.to_string()))?;
    match text.trim() {
        "" => Err(wrong("the file is empty")),
        token => Ok(Some(token.to_owned())),
    }
}

fn is_loopback(server: &Url) -> bool {
    let host = server.host_str().unwrap_or("");
    let address = host.trim_matches(['[', ']']).parse::<std::net::IpAddr>();
    host == "localhost" || address.is_ok_and(|address| address.is_loopback())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn loopback_is_known_by_name_and_by_number() {
        let loopback = |text: &str| is_loopback(&Url::parse(text).unwrap());
        assert!(loopback("http://127.0.0.1:4791") && loopback("http://[::1]:4791"));
        assert!(loopback("http://localhost:4791"));
        assert!(!loopback("http://rigs.tidepool.example:4791") && !loopback("http://192.0.2.7"));
    }
}
