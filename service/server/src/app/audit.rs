//! The log of what was done and refused.

use condyle_api::AuditEntry;

use crate::access::{Act, Reach};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::{AuditFilter, Entry};

/// Entries within what the caller may know of.
pub async fn entries(app: &App, wanted: &AuditFilter, reach: &Reach) -> Result<Vec<AuditEntry>, ApiError> {
    // What was refused a moment ago is waited for by who looks.
    if let Err(error) = app.access.clerk().write(&app.store, crate::clock::now_ms()).await {
        tracing::warn!(%error, "uses and refusals wait for the next time");
    }
    Ok(app.store.audit_entries(wanted, reach).await?)
}

/// Notes that something is about to be done. It is not done where this cannot be written.
pub async fn begun(
    app: &App,
    action: &str,
    production: Option<&str>,
    subject: &str,
    act: &Act,
) -> Result<(), ApiError> {
    let entry = Entry::begun(action).on(subject).by(act);
    let entry = match production {
        Some(production) => entry.of(production),
        None => entry,
    };
    Ok(app.store.audit(crate::clock::now_ms(), &[entry]).await?)
}
