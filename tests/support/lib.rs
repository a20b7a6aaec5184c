//! What the end-to-end tests share: a service on a free port with a store of its own, and documents to send.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a test may stop at the first surprise")]

pub mod postgres;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use condyle_api::{NewToken, Scope};
use condyle_server::ServeError;
use condyle_server::access::Act;
use condyle_server::app::tokens;
use condyle_server::config::{Config, load};
use condyle_server::state::App;
use condyle_server::store::Store;
use serde_json::{Value, json};

/// A running service; stopped and deleted when dropped.
pub struct Service {
    /// `http://address`.
    pub base: String,
    /// A client without proxies.
    pub client: reqwest::Client,
    /// Where it stores.
    pub folder: PathBuf,
    stop: Option<tokio::sync::oneshot::Sender<()>>,
    running: Option<tokio::task::JoinHandle<Result<(), ServeError>>>,
    owned: Option<tempfile::TempDir>,
}

impl Service {
    /// Starts one with the defaults.
    pub async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    /// Starts one with a changed configuration.
    pub async fn start_with(change: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let mut service = Self::start_in(folder.path(), change).await;
        service.owned = Some(folder);
        service
    }

    /// Starts one on a folder that outlives it.
    pub async fn start_in(folder: &Path, change: impl FnOnce(&mut Config)) -> Self {
        let mut config = configuration(folder);
        change(&mut config);
        let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
        let (told, heard) = tokio::sync::oneshot::channel();
        let running = tokio::spawn(condyle_server::serve(
            config,
            move |address| {
                let _ = told.send(address);
            },
            async {
                let _ = stopped.await;
            },
        ));
        let address: SocketAddr = heard.await.expect("the service starts");
        Self {
            base: format!("http://{address}"),
            client: client(),
            folder: folder.to_path_buf(),
            stop: Some(stop),
            running: Some(running),
            owned: None,
        }
    }

    /// Starts one whose inside a test can reach.
    pub async fn open(change: impl FnOnce(&mut Config)) -> (Self, App) {
        let folder = tempfile::tempdir().unwrap();
        let mut config = configuration(folder.path());
        change(&mut config);
        let app = App::open(config).await.unwrap();
        let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await.unwrap();
        let address = listener.local_addr().unwrap();
        let router = condyle_server::routes::router(app.clone());
        tokio::spawn(async move { axum::serve(listener, router).await });
        let service = Self {
            base: format!("http://{address}"),
            client: client(),
            folder: folder.path().to_path_buf(),
            stop: None,
            running: None,
            owned: Some(folder),
        };
        (service, app)
    }

    /// Its database, as another process opens it.
    pub async fn store(&self) -> Store {
        Store::configured(&configuration(&self.folder)).await.unwrap()
    }

    /// Makes a token as the command line does, and gives its secret.
    pub async fn token(&self, name: &str, scopes: &[Scope], productions: Option<&[&str]>) -> String {
        let store = self.store().await;
        let rules = configuration(&self.folder).access;
        let new = NewToken {
            name: name.to_owned(),
            scopes: scopes.to_vec(),
            productions: productions.map(|names| names.iter().map(|name| (*name).to_owned()).collect()),
            expires_at: None,
        };
        let now = condyle_server::clock::now_ms();
        let made = tokens::create(&store, &rules, new, &Act::here(), now).await.unwrap();
        store.close().await;
        made.secret
    }

    /// Submits a plan as a revision, which must be new.
    pub async fn submit(&self, path: &str, plan: &Value) -> condyle_api::Revision {
        let response = self.client.put(self.url(path)).json(plan).send().await.unwrap();
        assert_eq!(response.status(), reqwest::StatusCode::CREATED, "{path}");
        response.json().await.unwrap()
    }

    /// Reads JSON, which must be there.
    pub async fn json<T: serde::de::DeserializeOwned>(&self, path: &str) -> T {
        let response = self.client.get(self.url(path)).send().await.unwrap();
        assert_eq!(response.status(), reqwest::StatusCode::OK, "{path}");
        response.json().await.unwrap()
    }

    /// Asks it to stop, without waiting.
    pub fn ask_to_stop(&mut self) {
        if let Some(stop) = self.stop.take() {
            let _ = stop.send(());
        }
    }

    /// Stops it and waits for the end.
    pub async fn stopped(mut self) -> Result<(), ServeError> {
        self.ask_to_stop();
        self.running.take().expect("it runs").await.unwrap()
    }

    /// An URL on it.
    pub fn url(&self, path: &str) -> String {
        format!("{}{path}", self.base)
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.ask_to_stop();
    }
}

/// The defaults, on a free port and in a folder.
pub fn configuration(folder: &Path) -> Config {
    let mut config = load(None, std::iter::empty(), &[]).unwrap().config;
    config.server.listen = SocketAddr::from(([127, 0, 0, 1], 0));
    config.server.data_dir = folder.to_path_buf();
    if postgres::wanted() {
        config.store.url_file = postgres::url_file(folder);
    }
    config
}

/// For what only the embedded file has, wherever other tests store.
pub fn in_a_file(config: &mut Config) {
    config.store.url_file = PathBuf::new();
}

/// A client that follows no proxy.
pub fn client() -> reqwest::Client {
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::builder().no_proxy().build().unwrap()
}

/// A glTF of one triangle bound to one joint; with `uri`, its buffer lies in a file of that name, else in the GLB.
pub fn triangle(uri: Option<&str>) -> (Value, Vec<u8>) {
    let mut bin = Vec::new();
    for number in [0.0_f32, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0] {
        bin.extend(number.to_le_bytes());
    }
    for _ in 0..3 {
        bin.extend([0_u8, 0, 0, 0]);
    }
    for _ in 0..3 {
        for number in [1.0_f32, 0.0, 0.0, 0.0] {
            bin.extend(number.to_le_bytes());
        }
    }
    let mut buffer = json!({"byteLength": bin.len()});
    if let Some(uri) = uri {
        buffer["uri"] = json!(uri);
    }
    let document = json!({
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": [0, 1]}],
        "nodes": [{"name": "hips"}, {"name": "body", "mesh": 0, "skin": 0}],
        "skins": [{"joints": [0]}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0, "JOINTS_0": 1, "WEIGHTS_0": 2}}]}],
        "accessors": [
            {"bufferView": 0, "componentType": 5126, "count": 3, "type": "VEC3", "min": [0, 0, 0], "max": [1, 1, 0]},
            {"bufferView": 1, "componentType": 5121, "count": 3, "type": "VEC4"},
            {"bufferView": 2, "componentType": 5126, "count": 3, "type": "VEC4"},
        ],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": 36},
            {"buffer": 0, "byteOffset": 36, "byteLength": 12},
            {"buffer": 0, "byteOffset": 48, "byteLength": 48},
        ],
        "buffers": [buffer],
    });
    (document, bin)
}

/// A GLB of a document and its binary chunk.
pub fn glb(document: &Value, bin: &[u8]) -> Vec<u8> {
    let mut text = document.to_string().into_bytes();
    while !text.len().is_multiple_of(4) {
        text.push(b' ');
    }
    let mut bin = bin.to_vec();
    while !bin.len().is_multiple_of(4) {
        bin.push(0);
    }
    let total = 12 + 8 + text.len() + 8 + bin.len();
    let mut out = b"glTF".to_vec();
    for word in [2, total as u32, text.len() as u32] {
        out.extend(word.to_le_bytes());
    }
    out.extend(b"JSON");
    out.extend(text);
    out.extend((bin.len() as u32).to_le_bytes());
    out.extend(b"BIN\0");
    out.extend(bin);
    out
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
