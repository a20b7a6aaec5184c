//! What the end-to-end tests share: a service on a free port with a store of its own, and documents to send.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]

use std::net::SocketAddr;

use condyle_server::config::{Config, load};
use serde_json::{Value, json};

/// A running service; stopped and deleted when dropped.
pub struct Service {
    /// `http://address`.
    pub base: String,
    /// A client without proxies.
    pub client: reqwest::Client,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    _folder: tempfile::TempDir,
}

impl Service {
    /// Starts one with the defaults.
    pub async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    /// Starts one with a changed configuration.
    pub async fn start_with(change: impl FnOnce(&mut Config)) -> Self {
        let _ = rustls::crypto::ring::default_provider().install_default();
        let folder = tempfile::tempdir().unwrap();
        let mut config = load(None, std::iter::empty(), &[]).unwrap().config;
        config.server.listen = SocketAddr::from(([127, 0, 0, 1], 0));
        config.server.data_dir = folder.path().to_path_buf();
        change(&mut config);
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let (told, heard) = tokio::sync::oneshot::channel();
        tokio::spawn(condyle_server::serve(
            config,
            move |address| {
                let _ = told.send(address);
            },
            async {
                let _ = stopped.await;
            },
        ));
        let address: SocketAddr = heard.await.expect("the service starts");
        let client = reqwest::Client::builder().no_proxy().build().unwrap();
        Self { base: format!("http://{address}"), client, stop: Some(stop), _folder: folder }
    }

    /// An URL on it.
    pub fn url(&self, path: &str) -> String {
        format!("{}{path}", self.base)
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
    }
}

/// A small sound plan.
pub fn plan(asset: &str) -> Value {
    json!({
        "schema": "condyle.plan/1", "asset": asset,
        "joints": [
            {"name": "hips", "origin": [0, 1, 0], "tip": [0, 1.2, 0], "parent": null},
            {"name": "chest", "origin": [0, 1.2, 0], "tip": [0, 1.6, 0], "parent": "hips"},
            {"name": "arm_l", "origin": [0.2, 1.5, 0], "tip": [0.5, 1.5, 0], "parent": "chest"},
            {"name": "arm_r", "origin": [-0.2, 1.5, 0], "tip": [-0.5, 1.5, 0], "parent": "chest"},
        ]
    })
}

/// The same plan with a parent that no joint has.
pub fn broken_plan(asset: &str) -> Value {
    let mut plan = plan(asset);
    plan["joints"][1]["parent"] = json!("hisp");
    plan
}
