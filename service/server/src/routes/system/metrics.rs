//! `GET /metrics`.

use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;

use crate::state::App;

/// Prometheus metrics; labels are routes, methods, statuses and verdicts, never names from uploads.
#[utoipa::path(get, path = "/metrics", tag = "system", operation_id = "getMetrics",
    responses((status = 200, description = "Prometheus text format", body = String, content_type = "text/plain")))]
pub async fn metrics(State(app): State<App>) -> impl IntoResponse {
    ::metrics::gauge!("condyle_pool_in_use").set(app.pool.in_use() as f64);
    ::metrics::gauge!("condyle_upload_bytes").set(app.uploads.used() as f64);
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4")], app.metrics.render())
}
