//! The map of the HTTP surface. One endpoint a file. A route cannot be added without its description.

pub mod assets;
pub mod audit;
pub(crate) mod badge;
pub mod catalogue;
pub mod checks;
pub mod conditional;
pub mod cursor;
pub mod differences;
pub mod events;
pub(crate) mod fields;
pub mod figures;
pub mod fresh;
pub mod history;
pub mod jobs;
pub mod negotiate;
pub mod once;
pub mod parents;
pub mod prefer;
pub mod productions;
pub mod profiles;
pub mod rechecks;
pub mod references;
pub mod repairs;
mod shown;
pub mod summary;
pub mod sweeps;
pub mod system;
pub mod tokens;
pub mod trial_binds;
pub mod waivers;
pub mod web;
pub mod webhooks;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::IntoResponse as _;
use tower::ServiceBuilder;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{DefaultPredicate, NotForContentType, Predicate as _};
use tower_http::decompression::RequestDecompressionLayer;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::problem::ApiError;
use crate::state::App;

/// All routes, with their descriptions.
pub fn described() -> OpenApiRouter<App> {
    OpenApiRouter::with_openapi(crate::openapi::frame())
        .routes(routes!(checks::post::post))
        .routes(routes!(repairs::post::post))
        .routes(routes!(parents::post::post))
        .routes(routes!(sweeps::post::post))
        .routes(routes!(trial_binds::post::post))
        .routes(routes!(figures::post::post))
        .routes(routes!(jobs::get::get, jobs::cancel::cancel))
        .routes(routes!(jobs::report::report))
        .routes(routes!(jobs::figure::figure))
        .routes(routes!(jobs::trial_bind::trial_bind))
        .routes(routes!(rechecks::list::list, rechecks::post::post))
        .routes(routes!(rechecks::get::get, rechecks::cancel::cancel))
        .routes(routes!(rechecks::pause::pause))
        .routes(routes!(rechecks::resume::resume))
        .routes(routes!(rechecks::results::results))
        .routes(routes!(assets::list::list))
        .routes(routes!(differences::post::post))
        .routes(routes!(assets::get::get, assets::remove::remove))
        .routes(routes!(assets::difference::difference))
        .routes(routes!(assets::badge::badge))
        .routes(routes!(assets::revisions::revisions))
        .routes(routes!(
            assets::put::put,
            assets::revision::revision,
            assets::remove_revision::remove_revision
        ))
        .routes(routes!(assets::report::report))
        .routes(routes!(assets::figure::figure))
        .routes(routes!(assets::input::input))
        .routes(routes!(assets::known::known))
        .routes(routes!(productions::list::list))
        .routes(routes!(productions::badge::badge))
        .routes(routes!(productions::archive::get::get, productions::archive::post::post))
        .routes(routes!(summary::get::get))
        .routes(routes!(events::get::get))
        .routes(routes!(productions::policy::get, productions::policy::put))
        .routes(routes!(catalogue::list::list))
        .routes(routes!(catalogue::get::get))
        .routes(routes!(profiles::list::list))
        .routes(routes!(profiles::get::get, profiles::put::put))
        .routes(routes!(references::get::get))
        .routes(routes!(profiles::past::past))
        .routes(routes!(references::one::one, references::put::put))
        .routes(routes!(references::file::file))
        .routes(routes!(references::past::past))
        .routes(routes!(productions::policy::past))
        .routes(routes!(waivers::get::get, waivers::put::put))
        .routes(routes!(waivers::past::past))
        .routes(routes!(tokens::list::list, tokens::create::create))
        .routes(routes!(tokens::revoke::revoke))
        .routes(routes!(tokens::rotate::rotate))
        .routes(routes!(audit::get::get))
        .routes(routes!(webhooks::list::list, webhooks::post::post))
        .routes(routes!(
            webhooks::get::get,
            webhooks::change::change_webhook,
            webhooks::remove::remove_webhook
        ))
        .routes(routes!(webhooks::secret::secret))
        .routes(routes!(webhooks::deliveries::deliveries))
        .routes(routes!(webhooks::replay_one::replay_one))
        .routes(routes!(webhooks::replay::replay))
        .routes(routes!(system::openapi::openapi))
        .routes(routes!(system::docs::docs))
        .routes(routes!(system::health::healthz))
        .routes(routes!(system::health::readyz))
        .routes(routes!(system::metrics::metrics))
        .routes(routes!(system::problem::problem))
        .routes(routes!(web::index::index))
        .routes(routes!(web::revision::revision))
        .routes(routes!(web::difference::difference))
        .routes(routes!(web::check::check))
        .routes(routes!(web::sign_in::show, web::sign_in::send))
}

/// All routes with the layers around them.
pub fn router(app: App) -> Router {
    let (routes, _) = described().split_for_parts();
    // Stored inputs are large and mostly packed already.
    let compressible = DefaultPredicate::new()
        .and(NotForContentType::const_new("application/octet-stream"))
        .and(NotForContentType::const_new("model/"))
        .and(NotForContentType::const_new("text/event-stream"))
        .and(NotForContentType::const_new("application/x-tar"));
    // One stack, the outermost first: a router's own layers would each put a box around what they hold, which every
    // request would clone.
    let layers = ServiceBuilder::new()
        .layer(from_fn(negotiate::coding))
        .layer(CompressionLayer::new().compress_when(compressible))
        .layer(from_fn_with_state(app.clone(), crate::telemetry::track))
        .layer(from_fn_with_state(app.clone(), crate::access::authenticate))
        .layer(from_fn_with_state(app.clone(), fresh::fresh))
        .layer(CatchPanicLayer::custom(|_: Box<dyn std::any::Any + Send>| {
            ApiError::Internal("a handler panicked".into()).into_response()
        }))
        .layer(RequestDecompressionLayer::new())
        // Bodies are counted by the extractor, after decompression.
        .layer(DefaultBodyLimit::disable());
    routes.fallback(async || ApiError::not_found("such resource")).layer(layers).with_state(app)
}
