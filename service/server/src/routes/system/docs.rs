//! `GET /docs`: the description as a page, with nothing from outside.

use std::fmt::Write as _;
use std::sync::LazyLock;

use serde_json::{Map, Value};

use crate::problem::KINDS;
use crate::routes::web::markdown::inline;
use crate::routes::web::page::{Page, escape, page};

/// The reference as a page.
#[utoipa::path(get, path = "/docs", tag = "system", operation_id = "getReference",
    responses((status = 200, description = "HTML", body = String, content_type = "text/html")))]
pub async fn docs() -> Page {
    static BODY: LazyLock<String> = LazyLock::new(|| {
        let document: Value = serde_json::from_str(&crate::openapi::document()).unwrap_or_default();
        render(&document)
    });
    page("Reference", &BODY)
}

fn text(value: &Value, key: &str) -> String {
    escape(value.get(key).and_then(Value::as_str).unwrap_or(""))
}

/// Text from a doc comment, which may name things as code.
fn prose(value: &Value, key: &str) -> String {
    inline(value.get(key).and_then(Value::as_str).unwrap_or(""))
}

fn members<'a>(value: &'a Value, key: &str) -> impl Iterator<Item = (&'a String, &'a Value)> {
    value.get(key).and_then(Value::as_object).into_iter().flat_map(Map::iter)
}

fn elements<'a>(value: &'a Value, key: &str) -> impl Iterator<Item = &'a Value> {
    value.get(key).and_then(Value::as_array).into_iter().flatten()
}

fn render(document: &Value) -> String {
    let mut body = String::from(
        "<h1>Reference</h1><p>Made from <a href=\"/openapi.json\">openapi.json</a> (OpenAPI 3.1). Errors are problem \
         documents (RFC 9457); <a href=\"#problems\">all of them</a> are listed below.</p>\
         <pre>curl --data-binary @hero.glb -H 'Accept: text/plain' http://…/v1/checks\n\
         curl -T hero.glb http://…/v1/assets/SHOW/hero/revisions/v001\n\
         curl -F plan=@hero.plan.json -F model=@hero.glb http://…/v1/checks?profile=film</pre>",
    );
    for tag in elements(document, "tags") {
        let name = text(tag, "name");
        let _ = write!(body, "<h2>{name}</h2><p>{}.</p><ul>", text(tag, "description"));
        for (path, method, operation) in operations(document, &name) {
            let _ = write!(
                body,
                "<li><a href=\"#{}\"><code>{} {}</code></a> {}</li>",
                anchor(method, path),
                escape(&method.to_uppercase()),
                escape(path),
                prose(operation, "summary")
            );
        }
        body.push_str("</ul>");
    }
    for tag in elements(document, "tags") {
        for (path, method, operation) in operations(document, &text(tag, "name")) {
            write_operation(&mut body, path, method, operation);
        }
    }
    body.push_str("<h2 id=\"problems\">Problems</h2><div class=\"scroll\"><table><tr><th>type</th><th>status</th><th>title</th><th>what to do</th></tr>");
    for kind in KINDS {
        let _ = write!(
            body,
            "<tr><td><a href=\"/problems/{0}\"><code>{0}</code></a></td><td>{1}</td><td>{2}</td><td>{3}</td></tr>",
            kind.name,
            kind.status,
            escape(kind.title),
            inline(kind.remedy)
        );
    }
    body.push_str("</table></div><h2>Types</h2>");
    for (name, schema) in document.get("components").into_iter().flat_map(|c| members(c, "schemas")) {
        write_type(&mut body, name, schema);
    }
    body
}

fn operations<'a>(document: &'a Value, tag: &str) -> Vec<(&'a str, &'a str, &'a Value)> {
    let mut found = Vec::new();
    for (path, methods) in members(document, "paths") {
        for (method, operation) in methods.as_object().into_iter().flatten() {
            if elements(operation, "tags").any(|t| t.as_str() == Some(tag)) {
                found.push((path.as_str(), method.as_str(), operation));
            }
        }
    }
    found
}

fn anchor(method: &str, path: &str) -> String {
    let path: String = path.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    format!("{method}{path}")
}

fn write_operation(body: &mut String, path: &str, method: &str, operation: &Value) {
    let _ = write!(
        body,
        "<section><h2 id=\"{}\"><code>{} {}</code></h2><p>{}</p><p>{}</p>",
        anchor(method, path),
        escape(&method.to_uppercase()),
        escape(path),
        prose(operation, "summary"),
        prose(operation, "description")
    );
    let scope = elements(operation, "security").find_map(|one| elements(one, "token").next()?.as_str());
    if let Some(scope) = scope {
        let _ = write!(body, "<p>Where tokens are asked for: the scope <code>{}</code>.</p>", escape(scope));
    }
    let mut parameters = elements(operation, "parameters").peekable();
    if parameters.peek().is_some() {
        body.push_str(
            "<div class=\"scroll\"><table><tr><th>parameter</th><th>in</th><th>type</th><th></th></tr>",
        );
        for parameter in parameters {
            let _ = write!(
                body,
                "<tr><td><code>{}</code></td><td>{}</td><td>{}</td><td>{}</td></tr>",
                text(parameter, "name"),
                text(parameter, "in"),
                parameter.get("schema").map(describe).unwrap_or_default(),
                prose(parameter, "description")
            );
        }
        body.push_str("</table></div>");
    }
    if let Some(request) = operation.get("requestBody") {
        let kinds: Vec<String> =
            members(request, "content").map(|(kind, _)| format!("<code>{}</code>", escape(kind))).collect();
        let _ = write!(body, "<p>Body: {}. {}</p>", prose(request, "description"), kinds.join(", "));
    }
    body.push_str("<div class=\"scroll\"><table><tr><th>status</th><th></th><th>body</th></tr>");
    for (status, response) in members(operation, "responses") {
        let kinds: Vec<String> = members(response, "content")
            .map(|(kind, media)| {
                let schema = media.get("schema").map(describe).unwrap_or_default();
                format!("<code>{}</code> {schema}", escape(kind))
            })
            .collect();
        let _ = write!(
            body,
            "<tr><td>{}</td><td>{}</td><td>{}</td></tr>",
            escape(status),
            prose(response, "description"),
            kinds.join("<br>")
        );
    }
    body.push_str("</table></div></section>");
}

fn write_type(body: &mut String, name: &str, schema: &Value) {
    let name = escape(name);
    let _ = write!(
        body,
        "<section><h3 id=\"type-{name}\"><code>{name}</code></h3><p>{}</p>",
        prose(schema, "description")
    );
    let mut fields = members(schema, "properties").peekable();
    if fields.peek().is_none() {
        let _ = write!(body, "<p>{}</p>", describe(schema));
    } else {
        body.push_str("<div class=\"scroll\"><table>");
        for (field, inner) in fields {
            let needed = elements(schema, "required").any(|r| r.as_str() == Some(field));
            let _ = write!(
                body,
                "<tr><td><code>{}</code></td><td>{}{}</td><td>{}</td></tr>",
                escape(field),
                describe(inner),
                if needed { "" } else { " <small>may be absent</small>" },
                prose(inner, "description")
            );
        }
        body.push_str("</table></div>");
    }
    body.push_str("</section>");
}

/// A schema in a few words.
fn describe(schema: &Value) -> String {
    if let Some(name) = schema.get("$ref").and_then(Value::as_str).and_then(|r| r.rsplit('/').next()) {
        let name = escape(name);
        return format!("<a href=\"#type-{name}\">{name}</a>");
    }
    for key in ["oneOf", "anyOf", "allOf"] {
        let parts: Vec<String> = elements(schema, key).map(describe).collect();
        if !parts.is_empty() {
            return parts.join(if key == "allOf" { " and " } else { " or " });
        }
    }
    let words: Vec<String> =
        elements(schema, "enum").map(|v| format!("<code>{}</code>", escape(&v.to_string()))).collect();
    if !words.is_empty() {
        return words.join(" or ");
    }
    let kind = match schema.get("type") {
        Some(Value::String(kind)) => kind.clone(),
        Some(Value::Array(kinds)) => kinds.iter().filter_map(Value::as_str).collect::<Vec<_>>().join(" or "),
        _ => String::new(),
    };
    if kind == "array" {
        return format!("list of {}", schema.get("items").map(describe).unwrap_or_default());
    }
    if kind == "object" && schema.get("properties").is_some() {
        let fields: Vec<String> = members(schema, "properties")
            .map(|(name, inner)| format!("{}: {}", escape(name), describe(inner)))
            .collect();
        return format!("{{{}}}", fields.join(", "));
    }
    escape(&kind)
}
