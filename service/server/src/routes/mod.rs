//! The map of the HTTP surface. One endpoint a file.

pub mod assets;
pub mod catalogue;
pub mod checks;
pub mod negotiate;
pub mod profiles;
pub mod system;
pub mod web;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use axum::response::IntoResponse as _;
use axum::routing::{get, head, post, put};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::decompression::RequestDecompressionLayer;

use crate::problem::ApiError;
use crate::state::App;

/// All routes with the layers around them.
pub fn router(app: App) -> Router {
    const REVISION: &str = "/v1/assets/{production}/{asset}/revisions/{label}";
    Router::new()
        .route("/v1/checks", post(checks::post::post))
        .route("/v1/assets", get(assets::list::list))
        .route("/v1/assets/{production}/{asset}", get(assets::get::get))
        .route("/v1/assets/{production}/{asset}/revisions", get(assets::revisions::revisions))
        .route(REVISION, put(assets::put::put).get(assets::revision::revision))
        .route(&format!("{REVISION}/report"), get(assets::report::report))
        .route(&format!("{REVISION}/input"), get(assets::input::input))
        .route("/v1/inputs/{sha256}", head(assets::known::known))
        .route("/v1/catalogue", get(catalogue::list::list))
        .route("/v1/catalogue/{family}/{name}", get(catalogue::get::get))
        .route("/v1/profiles", get(profiles::list::list))
        .route("/v1/profiles/{name}", get(profiles::get::get))
        .route("/openapi.json", get(system::openapi::openapi))
        .route("/docs", get(system::docs::docs))
        .route("/healthz", get(system::health::healthz))
        .route("/readyz", get(system::health::readyz))
        .route("/metrics", get(system::metrics::metrics))
        .route("/problems/{name}", get(system::problem::problem))
        .route("/", get(web::index::index))
        .route("/assets/{production}/{asset}/{label}", get(web::revision::revision))
        .fallback(async || ApiError::NotFound("such resource".into()))
        // Bodies are counted by the extractor, after decompression.
        .layer(DefaultBodyLimit::disable())
        .layer(RequestDecompressionLayer::new())
        .layer(CatchPanicLayer::custom(|_: Box<dyn std::any::Any + Send>| {
            ApiError::Internal("a handler panicked".into()).into_response()
        }))
        .layer(from_fn_with_state(app.clone(), crate::telemetry::track))
        .layer(CompressionLayer::new())
        .with_state(app)
}
