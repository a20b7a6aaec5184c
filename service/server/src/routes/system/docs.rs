//! `GET /docs`: the description as a page, with nothing from outside.

use std::fmt::Write as _;

use axum::response::Html;
use serde_json::Value;

use crate::routes::web::page::{escape, page};

/// The reference as a page.
#[utoipa::path(get, path = "/docs", tag = "system",
    responses((status = 200, description = "HTML", body = String, content_type = "text/html")))]
pub async fn docs() -> Html<String> {
    let document: Value = serde_json::from_str(&crate::openapi::document()).unwrap_or_default();
    let mut body =
        String::from("<h1>Reference</h1><p>The same as <a href=\"/openapi.json\">openapi.json</a>.</p>");
    let text = |value: &Value, key: &str| escape(value.get(key).and_then(Value::as_str).unwrap_or(""));
    for (path, operations) in document.get("paths").and_then(Value::as_object).into_iter().flatten() {
        for (method, operation) in operations.as_object().into_iter().flatten() {
            let _ = write!(
                body,
                "<section><h2><code>{} {}</code></h2>",
                escape(&method.to_uppercase()),
                escape(path)
            );
            let _ = write!(body, "<p>{} {}</p>", text(operation, "summary"), text(operation, "description"));
            let parameters = operation.get("parameters").and_then(Value::as_array);
            if let Some(list) = parameters.filter(|list| !list.is_empty()) {
                body.push_str("<table><tr><th>parameter</th><th>in</th><th></th></tr>");
                for parameter in list {
                    let _ = write!(
                        body,
                        "<tr><td><code>{}</code></td><td>{}</td><td>{}</td></tr>",
                        text(parameter, "name"),
                        text(parameter, "in"),
                        text(parameter, "description")
                    );
                }
                body.push_str("</table>");
            }
            body.push_str("<table><tr><th>status</th><th></th></tr>");
            for (status, response) in
                operation.get("responses").and_then(Value::as_object).into_iter().flatten()
            {
                let _ = write!(
                    body,
                    "<tr><td>{}</td><td>{}</td></tr>",
                    escape(status),
                    text(response, "description")
                );
            }
            body.push_str("</table></section>");
        }
    }
    Html(page("Reference", &body))
}
