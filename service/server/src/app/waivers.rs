//! Waivers that a production keeps here: they count for every submission to it, beside those that files and requests bring.

use condyle_core::check::{Waiver, WaiverError, WaiverPlace};
use serde_json::Value;

use crate::problem::ApiError;
use crate::state::App;

/// Reads a list of waivers, and gives it as it is to be stored.
pub fn read(text: &str) -> Result<(Vec<Waiver>, Value), ApiError> {
    let list: Value = serde_json::from_str(text).map_err(|error| {
        let message = format!("the waivers are no JSON: {error}");
        ApiError::Waiver(WaiverError { pointer: String::new(), message })
    })?;
    let mut waivers = Waiver::read_list(&list).map_err(ApiError::Waiver)?;
    // They serve many assets: one that matches nothing in this one means nothing.
    for waiver in &mut waivers {
        waiver.place = WaiverPlace::Shared;
    }
    Ok((waivers, list))
}

/// A production's waivers; none where none were stored.
pub async fn waivers(app: &App, production: &str) -> Result<(Vec<Waiver>, Value), ApiError> {
    match app.store.waivers(production).await? {
        None => Ok((Vec::new(), Value::Array(Vec::new()))),
        Some(text) => read(&text)
            .map_err(|error| ApiError::Internal(format!("stored waivers cannot be read: {error:?}"))),
    }
}
