//! The history of what is agreed on.

use condyle_api::Version;

use crate::problem::ApiError;
use crate::state::App;
use crate::store::Kept;

/// States, one more than `limit` where there are more; the text only with `content`.
pub async fn history(
    app: &App,
    (kind, name): (Kept, &str),
    below: Option<i64>,
    limit: u32,
    content: bool,
) -> Result<Vec<Version>, ApiError> {
    let mut items = app.store.versions((kind, name), below, limit + 1).await?;
    if items.is_empty() && below.is_none() {
        let what = match kind {
            Kept::Profile => "stored profile",
            Kept::Reference => "reference",
            Kept::Policy => "stored policy of",
            Kept::Waivers => "stored list of waivers of",
        };
        return Err(ApiError::not_found(format!("{what} {}", crate::problem::shown(name))));
    }
    if !content {
        for item in &mut items {
            item.content = None;
        }
    }
    Ok(items)
}
