//! `HEAD /v1/inputs/{sha256}`.

use axum::extract::State;
use axum::http::StatusCode;

use crate::access::{May, Read};
use crate::problem::ApiError;
use crate::routes::negotiate::AppPath;
use crate::state::App;

/// Whether some revision holds this input.
#[utoipa::path(
    head, path = "/v1/inputs/{sha256}", tag = "assets", operation_id = "isInputKnown", security((), ("token" = ["read"])),
    params(("sha256" = String, Path, description = "Digest of the input, lower-case hex")),
    responses((status = 204, description = "It is known"), (status = 400, description = "That is no digest"),
              (status = 404, description = "It is not known")))]
pub async fn known(
    State(app): State<App>,
    may: May<Read>,
    AppPath(sha256): AppPath<String>,
) -> Result<StatusCode, ApiError> {
    let sound =
        sha256.len() == 64 && sha256.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    if !sound {
        return Err(ApiError::InvalidRequest("a digest is 64 hex digits, lower case".into()));
    }
    // Known in a production that the caller may not know of is not known.
    let holders = app.store.knows_input(&sha256).await?;
    if holders.iter().any(|production| may.caller.reach().covers(production)) {
        Ok(StatusCode::NO_CONTENT)
    } else {
        Err(ApiError::not_found("such input"))
    }
}
