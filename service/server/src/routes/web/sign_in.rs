//! `/sign-in`: how a browser gets its token. The token goes into a cookie that scripts cannot read and other sites cannot
//! send; it is never part of an address.

use axum::body::Body;
use axum::extract::State;
use axum::http::{Extensions, HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};

use super::page::{Page, page};
use crate::access::{Act, address_key, refuse, session_cookie};
use crate::problem::ApiError;
use crate::state::App;

/// Bytes of a form.
const MOST: usize = 4 << 10;

/// What the form sends.
#[derive(utoipa::ToSchema)]
#[expect(dead_code, reason = "the description alone needs it")]
pub struct SignIn {
    /// The token; empty to sign out.
    token: String,
}

/// The page to sign in; `again` where a token was not good.
pub(crate) fn form(again: bool) -> Page {
    let told = if again { "<p role=\"alert\">This token is not good.</p>" } else { "" };
    let body = format!(
        "<h1>Sign in</h1>{told}<p>This service asks for a token. Whoever runs it makes one for you.</p>\
         <form method=\"post\" action=\"/sign-in\"><label>token<input type=\"password\" name=\"token\" \
         autocomplete=\"current-password\" required></label><button>Sign in</button></form>\
         <form method=\"post\" action=\"/sign-in\"><input type=\"hidden\" name=\"token\" value=\"\">\
         <button>Sign out</button></form>"
    );
    page("Sign in", &body)
}

/// The page to sign in and out.
#[utoipa::path(get, path = "/sign-in", tag = "web", operation_id = "showSignIn",
    responses((status = 200, description = "HTML", body = String, content_type = "text/html")))]
pub async fn show() -> Page {
    form(false)
}

/// Sign a browser in with a token, or without one out: it is sent on to the first page with a cookie that ends with it.
///
/// The cookie counts for reading only.
#[utoipa::path(post, path = "/sign-in", tag = "web", operation_id = "signIn",
    request_body(content = SignIn, content_type = "application/x-www-form-urlencoded"),
    responses(
        (status = 303, description = "Signed in or out; on to the first page"),
        (status = 400, description = "The form is malformed", body = condyle_api::Problem, content_type = "application/problem+json"),
        (status = 413, description = "The form is too large", body = condyle_api::Problem, content_type = "application/problem+json"),
        (status = 401, description = "The token is not good", body = condyle_api::Problem, content_type = "application/problem+json"),
        (status = 429, description = "Too many bad tokens came from this address", body = condyle_api::Problem, content_type = "application/problem+json"),
    ))]
pub async fn send(
    State(app): State<App>,
    extensions: Extensions,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, ApiError> {
    let text = crate::submission::text(body, "form", MOST).await?;
    // A token has no letter that a form writes in another way.
    let token = text.split('&').find_map(|pair| pair.strip_prefix("token="));
    let token = token.ok_or_else(|| ApiError::InvalidRequest("the form has no field token".into()))?.trim();
    let signed_in = !token.is_empty() && app.access.on();
    if signed_in {
        let (from, key) = address_key(&app, &extensions, &headers);
        if let Err(refusal) = app.access.verify(&app.store, token, &key).await {
            let act = Act { address: from, ..Act::default() };
            return Ok(refuse(&app, refusal, act, "POST /sign-in".to_owned(), &headers));
        }
    }
    let cookie = session_cookie(signed_in.then_some(token), app.config.tls.on());
    let mut response = StatusCode::SEE_OTHER.into_response();
    let out = response.headers_mut();
    out.insert(header::LOCATION, HeaderValue::from_static("/"));
    out.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    if let Ok(mut cookie) = HeaderValue::from_str(&cookie) {
        cookie.set_sensitive(true);
        out.insert(header::SET_COOKIE, cookie);
    }
    Ok(response)
}
