//! `/v1/assets` and what hangs below it.

pub mod badge;
pub mod difference;
pub mod figure;
pub mod get;
pub mod input;
pub mod known;
pub mod list;
pub mod put;
pub mod remove;
pub mod remove_revision;
pub mod report;
pub mod revision;
pub mod revisions;

use crate::app::submit::{Address, sound};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Stored;

/// A production and an asset, with sound names.
fn named(path: (String, String)) -> Result<(String, String), ApiError> {
    sound("production", &path.0)?;
    sound("asset", &path.1)?;
    Ok(path)
}

/// The revision a path means, with its report.
async fn whole(app: &App, path: (String, String, String)) -> Result<Stored, ApiError> {
    let at = Address::checked(path.0, path.1, path.2)?;
    let found = app.store.whole(&at.production, &at.asset, &at.label).await?;
    found.ok_or_else(|| missing(&at))
}

fn missing(at: &Address) -> ApiError {
    ApiError::not_found(format!("revision {} of {}/{}", at.label, at.production, at.asset))
}
