//! `GET /metrics`.

use axum::extract::State;
use axum::http::header;
use axum::response::IntoResponse;
use condyle_api::Production;

use crate::access::{May, ReadAll};
use crate::state::App;

/// Prometheus metrics; labels are routes, methods, statuses and verdicts, never names from uploads.
///
/// `deploy/METRICS.md` lists every metric with its labels.
#[utoipa::path(get, path = "/metrics", tag = "system", operation_id = "getMetrics", security((), ("token" = ["read"])),
    responses((status = 200, description = "Prometheus text format", body = String, content_type = "text/plain")))]
pub async fn metrics(State(app): State<App>, _: May<ReadAll>) -> impl IntoResponse {
    ::metrics::gauge!("condyle_pool_in_use").set(app.pool.in_use() as f64);
    ::metrics::gauge!("condyle_upload_bytes").set(app.uploads.used() as f64);
    let taken = app.config.events.listeners.saturating_sub(app.listeners.available_permits());
    ::metrics::gauge!("condyle_listeners").set(taken as f64);
    if let Ok(counts) = app.outbox.counts().await {
        ::metrics::gauge!("condyle_webhooks", "state" => "enabled").set(counts.enabled as f64);
        ::metrics::gauge!("condyle_webhooks", "state" => "disabled").set(counts.disabled as f64);
        ::metrics::gauge!("condyle_webhook_deliveries", "state" => "open").set(counts.open as f64);
        ::metrics::gauge!("condyle_webhook_deliveries", "state" => "dead").set(counts.dead as f64);
    }
    match app.store.productions().await {
        Ok(list) => {
            ::metrics::gauge!("condyle_store_up").set(1.0);
            let sum = |of: fn(&Production) -> u64| list.iter().map(of).sum::<u64>() as f64;
            for (verdict, count) in
                [("pass", sum(|one| one.pass)), ("warn", sum(|one| one.warn)), ("fail", sum(|one| one.fail))]
            {
                ::metrics::gauge!("condyle_assets", "verdict" => verdict).set(count);
            }
        }
        // The other numbers are of use all the more.
        Err(_) => ::metrics::gauge!("condyle_store_up").set(0.0),
    }
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4")], app.metrics.render())
}
