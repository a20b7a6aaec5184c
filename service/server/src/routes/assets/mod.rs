//! `/v1/assets` and what hangs below it.

pub mod get;
pub mod input;
pub mod known;
pub mod list;
pub mod put;
pub mod report;
pub mod revision;
pub mod revisions;

use crate::app::submit::Address;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Stored;

/// The revision a path means.
async fn find(app: &App, path: (String, String, String)) -> Result<Stored, ApiError> {
    let at = Address::checked(path.0, path.1, path.2)?;
    let found = app.store.revision(&at.production, &at.asset, &at.label).await?;
    found
        .ok_or_else(|| ApiError::NotFound(format!("revision {} of {}/{}", at.label, at.production, at.asset)))
}
