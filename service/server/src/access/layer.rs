//! Around every request: who asks, and how often.
//!
//! Every route needs a token unless it stands in [`OPEN`]; what it needs beyond that is in its handler's signature.

use std::sync::Arc;

use axum::extract::{MatchedPath, Request, State};
use axum::http::{Extensions, HeaderMap, HeaderName, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

use super::{Act, Bad, Caller, Refused, Taken, address, clerk};
use crate::problem::ApiError;
use crate::routes::negotiate::wishes;
use crate::routes::web;
use crate::state::App;

const RATE_LIMIT: HeaderName = HeaderName::from_static("ratelimit");
const RATE_LIMIT_POLICY: HeaderName = HeaderName::from_static("ratelimit-policy");

/// Routes that need no token: probes, what is the same for every service of this version, and the way in.
pub(crate) const OPEN: [&str; 9] = [
    "/healthz",
    "/readyz",
    "/openapi.json",
    "/docs",
    "/problems/{name}",
    "/v1/catalogue",
    "/v1/catalogue/{family}/{name}",
    "/checks/{family}/{name}",
    "/sign-in",
];
const METRICS: &str = "/metrics";

/// A refusal that is a page, where others are problem documents; among a response's extensions.
#[derive(Debug, Clone, Copy)]
pub struct ForPeople;

/// Finds out who asks, and lets nobody ask too often.
pub async fn authenticate(State(app): State<App>, request: Request, next: Next) -> Response {
    let (mut parts, body) = request.into_parts();
    if !app.access.on() {
        parts.extensions.insert(Caller::Anyone);
        return next.run(Request::from_parts(parts, body)).await;
    }
    let route = parts.extensions.get::<MatchedPath>().map(|path| path.as_str().to_owned());
    // What is not there is a 404 for everybody.
    let Some(route) = route.filter(|route| !OPEN.contains(&route.as_str())) else {
        return next.run(Request::from_parts(parts, body)).await;
    };
    if route == METRICS && app.config.access.open_metrics {
        parts.extensions.insert(Caller::Anyone);
        return next.run(Request::from_parts(parts, body)).await;
    }
    let (from, key) = address_key(&app, &parts.extensions, &parts.headers);
    let known = match token(&parts.headers, &parts.method) {
        Ok(text) => app.access.verify(&app.store, &text, &key).await,
        Err(refusal) => Err(refusal),
    };
    let known = match known {
        Ok(known) => known,
        Err(refusal) => {
            let act = Act { address: from, ..Act::default() };
            return refuse(
                &app,
                refusal,
                act,
                format!("{} {route}", clerk::verb(&parts.method)),
                &parts.headers,
            );
        }
    };
    let taken = app.access.take(&known.id);
    let mut response = if taken.granted {
        app.access.clerk().used(&known.id, crate::clock::now_ms());
        parts.extensions.insert(Caller::Token(Arc::clone(&known)));
        next.run(Request::from_parts(parts, body)).await
    } else {
        let act =
            Act { who: Some(known.name.clone()), token: Some(known.id.clone()), address: from, why: None };
        let refusal = ApiError::TooMany { retry_s: taken.retry_s };
        refuse(&app, refusal, act, format!("{} {route}", clerk::verb(&parts.method)), &parts.headers)
    };
    tell(&mut response, taken);
    response
}

/// The caller's address, and the key that its guesses are counted under.
pub fn address_key(app: &App, extensions: &Extensions, headers: &HeaderMap) -> (Option<String>, String) {
    let from = address::of(extensions, headers, app.config.access.forwarded);
    (from.map(|from| from.to_string()), address::key(from))
}

/// A refusal as its answer, noted for the audit log where it is one of access. People get the page to sign in.
pub fn refuse(app: &App, refusal: ApiError, mut act: Act, subject: String, headers: &HeaderMap) -> Response {
    let of_access =
        matches!(refusal, ApiError::TokenMissing | ApiError::TokenInvalid(_) | ApiError::TooMany { .. });
    if of_access {
        let kind = match &refusal {
            ApiError::TokenInvalid(Bad::Revoked) => "token-invalid: revoked",
            ApiError::TokenInvalid(Bad::Expired) => "token-invalid: expired",
            other => other.name(),
        };
        metrics::counter!("condyle_refusals_total", "kind" => refusal.name()).increment(1);
        act.why = Some(kind.to_owned());
        app.access.clerk().refused(Refused { act, production: None, subject });
    }
    let people = wishes(headers, "text", "html") > wishes(headers, "application", "json");
    let unknown = matches!(refusal, ApiError::TokenMissing | ApiError::TokenInvalid(_));
    if !(people && unknown) {
        return refusal.into_response();
    }
    let told = matches!(refusal, ApiError::TokenInvalid(_));
    let problem = refusal.into_response();
    let mut page = (problem.status(), web::sign_in::form(told)).into_response();
    if let Some(challenge) = problem.headers().get(header::WWW_AUTHENTICATE) {
        page.headers_mut().insert(header::WWW_AUTHENTICATE, challenge.clone());
    }
    page.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    page.extensions_mut().insert(ForPeople);
    page
}

/// The token of a request: the header, or for reading the cookie that a browser got by signing in. A cookie changes
/// nothing, so another site's form can make a browser do nothing with it.
fn token(headers: &HeaderMap, method: &Method) -> Result<String, ApiError> {
    let mut values = headers.get_all(header::AUTHORIZATION).iter();
    if let Some(value) = values.next() {
        let text = value.to_str().unwrap_or("");
        let (scheme, rest) = text.split_once(' ').unwrap_or((text, ""));
        if !scheme.eq_ignore_ascii_case("bearer") {
            return Err(ApiError::TokenMissing);
        }
        // Two are none.
        let only = values.next().is_none();
        return if only { Ok(rest.trim().to_owned()) } else { Err(ApiError::TokenInvalid(Bad::Unknown)) };
    }
    if matches!(*method, Method::GET | Method::HEAD)
        && let Some(text) = cookie(headers)
    {
        return Ok(text);
    }
    Err(ApiError::TokenMissing)
}

/// The names of the cookie; the first only where the connection is encrypted (RFC 6265bis §4.1.3).
const COOKIES: [&str; 2] = ["__Host-condyle-token", "condyle-token"];

fn cookie(headers: &HeaderMap) -> Option<String> {
    let pairs: Vec<(&str, &str)> = headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|text| text.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .collect();
    let named = |name: &str| pairs.iter().find(|(given, _)| *given == name);
    COOKIES.iter().find_map(|name| named(name)).map(|(_, value)| (*value).to_owned())
}

/// `Set-Cookie` of a browser that signed in; without a token, of one that signed out. It ends with the browser.
pub fn session_cookie(token: Option<&str>, encrypted: bool) -> String {
    let (name, secure) = if encrypted { (COOKIES[0], "; Secure") } else { (COOKIES[1], "") };
    let (value, age) = token.map_or(("", "; Max-Age=0"), |token| (token, ""));
    format!("{name}={value}; Path=/; HttpOnly; SameSite=Strict{secure}{age}")
}

/// What is left, as the draft says it.
fn tell(response: &mut Response, taken: Taken) {
    let headers = response.headers_mut();
    for (name, text) in [
        (RATE_LIMIT_POLICY, format!("\"token\";q={};w=60", taken.quota)),
        (RATE_LIMIT, format!("\"token\";r={};t={}", taken.left, taken.full_in_s)),
    ] {
        if let Ok(value) = HeaderValue::from_str(&text) {
            headers.insert(name, value);
        }
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn read(pairs: &[(HeaderName, &str)], method: &Method) -> Option<String> {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(name, HeaderValue::from_str(value).unwrap());
        }
        token(&headers, method).ok()
    }

    /// The first is the example of RFC 6750 §2.1.
    #[test]
    fn a_token_comes_by_header_and_for_reading_by_cookie() {
        let (auth, cookie) = (header::AUTHORIZATION, header::COOKIE);
        let get = |pairs: &[(HeaderName, &str)]| read(pairs, &Method::GET);
        assert_eq!(get(&[(auth.clone(), "Bearer mF_9.B5f-4.1JqM")]).as_deref(), Some("mF_9.B5f-4.1JqM"));
        assert_eq!(get(&[(auth.clone(), "bearer a")]).as_deref(), Some("a"));
        assert_eq!(get(&[(auth.clone(), "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==")]), None);
        assert_eq!(get(&[(auth.clone(), "Bearer a"), (auth.clone(), "Bearer b")]), None);
        let jar = (cookie, "theme=dark; condyle-token=c");
        assert_eq!(get(std::slice::from_ref(&jar)).as_deref(), Some("c"));
        assert_eq!(get(&[jar.clone(), (auth, "Bearer a")]).as_deref(), Some("a"));
        assert_eq!(read(&[jar], &Method::POST), None);
    }

    #[test]
    fn the_cookie_is_kept_from_scripts_and_from_other_sites() {
        let plain = session_cookie(Some("t"), false);
        assert_eq!(plain, "condyle-token=t; Path=/; HttpOnly; SameSite=Strict");
        let encrypted = session_cookie(Some("t"), true);
        assert_eq!(encrypted, "__Host-condyle-token=t; Path=/; HttpOnly; SameSite=Strict; Secure");
        assert!(session_cookie(None, true).contains("Max-Age=0"));
    }
}
