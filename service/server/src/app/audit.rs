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

/// Notes that something is about to be done, does it, and notes how it ended. It is not done where the first cannot be
/// written; who stops in between leaves the entry as `begun`.
pub async fn around<T>(
    app: &App,
    action: &str,
    production: Option<&str>,
    subject: &str,
    act: &Act,
    work: impl Future<Output = Result<T, ApiError>>,
) -> Result<T, ApiError> {
    let entry = Entry::begun(action).on(subject).by(act);
    let entry = match production {
        Some(production) => entry.of(production),
        None => entry,
    };
    let id = app.store.audit_begun(crate::clock::now_ms(), &entry).await?;
    let ended = work.await;
    let outcome = if ended.is_ok() { "done" } else { "failed" };
    if let Err(error) = app.store.audit_ended(id, outcome).await {
        tracing::warn!(%error, id, outcome, "how it ended is not noted in the audit log");
    }
    ended
}
