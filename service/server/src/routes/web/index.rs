//! `GET /`: assets and verdicts.

use std::fmt::Write as _;

use axum::extract::State;
use axum::response::Html;

use super::page::{escape, mark, page};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::AssetFilter;

/// The assets of this service.
pub async fn index(State(app): State<App>) -> Result<Html<String>, ApiError> {
    let assets = app.store.assets(&AssetFilter { limit: 500, ..AssetFilter::default() }).await?;
    let mut body = String::from("<h1>Assets</h1>");
    if assets.is_empty() {
        body.push_str("<p>Nothing has been submitted yet.</p>");
    } else {
        body.push_str(
            "<table><tr><th>production</th><th>asset</th><th>latest</th><th>verdict</th><th>errors</th>\
             <th>warnings</th><th>notes</th><th>waived</th><th>submitted</th></tr>",
        );
        for asset in assets {
            let latest = &asset.latest;
            let (production, name, label) =
                (escape(&asset.production), escape(&asset.asset), escape(&latest.label));
            let _ = write!(
                body,
                "<tr><td>{production}</td><td><a href=\"/assets/{production}/{name}/{label}\">{name}</a></td>\
                 <td>{label}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>\
                 <td class=\"n\">{}</td><td><small>{}</small></td></tr>",
                mark(latest.verdict),
                latest.counts.error,
                latest.counts.warning,
                latest.counts.note,
                latest.counts.waived,
                escape(&latest.submitted_at)
            );
        }
        body.push_str("</table>");
    }
    Ok(Html(page("Assets", &body)))
}
