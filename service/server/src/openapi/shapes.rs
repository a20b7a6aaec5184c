//! What the service refuses and JSON Schema can say, of parameters that many operations share and of what `core` reads.

use serde_json::{Map, Value, json};

/// A production, an asset, a label (`app::submit::sound`).
const NAME: &str = "^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$";
/// The same where an empty one says all.
const ANY: &str = "^([A-Za-z0-9][A-Za-z0-9._-]{0,99})?$";
/// A day of a form, which sends an empty one where none was chosen.
const DAY: &str = "^([0-9]{4}-[0-9]{2}-[0-9]{2})?$";
/// The id of a token.
const TOKEN: &str = "^[0-9A-Fa-f]{16}$";
/// A SHA-256 digest.
const DIGEST: &str = "^[0-9a-f]{64}$";
/// A place in a list, as hex: the service knows its own.
const CURSOR: &str = "^([0-9a-f]{2})+$";
/// Views, with space around each.
const VIEWS: &str = "^\\s*(front|side|top)\\s*(,\\s*(front|side|top)\\s*)*$";
/// `safe`, `review`, or fingerprints.
const FIX: &str = "^(safe|review|[0-9a-f]{32}(,[0-9a-f]{32})*)$";
/// A string of RFC 8941, or a bare one that does not begin as such.
const KEY: &str = "^(\"[ -~]{1,250}\"|[!#-~]([ -~]{0,250}[!-~])?)$";
/// One line; beyond ASCII it is UTF-8, which few senders of headers know how to send.
const LINE: &str = "^[ -~]{0,500}$";

/// A profile's name.
const PROFILE: &str = "^[a-z0-9][a-z0-9._-]{0,63}$";

/// Bodies that may be left out: no body says what an empty object says.
const OPTIONAL: [&str; 2] = ["/v1/rechecks", "/v1/tokens/{id}/rotate"];

/// Adds them to every parameter of their place and name, and to the components.
pub(super) fn add(description: &mut Value) {
    add_to_components(description);
    let paths = description.get_mut("paths").and_then(Value::as_object_mut);
    for (path, methods) in paths.into_iter().flatten() {
        for operation in methods.as_object_mut().into_iter().flat_map(|methods| methods.values_mut()) {
            if OPTIONAL.contains(&path.as_str())
                && let Some(body) = operation.get_mut("requestBody").and_then(Value::as_object_mut)
            {
                body.insert("required".to_owned(), json!(false));
            }
            let list = operation.get_mut("parameters").and_then(Value::as_array_mut);
            for parameter in list.into_iter().flatten() {
                let text = |key: &str| parameter.get(key).and_then(Value::as_str).unwrap_or_default();
                let Some(more) = keywords(path, text("in"), text("name")) else { continue };
                if let Some(schema) = parameter.get_mut("schema").and_then(Value::as_object_mut) {
                    merge(schema, more);
                }
            }
        }
    }
}

/// Adds them to members of components.
pub(super) fn add_to_components(description: &mut Value) {
    // Of a form no other part is taken.
    for form in ["RigForm", "BindForm", "CompareForm", "ParentsForm", "ReferenceForm"] {
        let place = format!("/components/schemas/{form}");
        if let Some(schema) = description.pointer_mut(&place).and_then(Value::as_object_mut) {
            schema.insert("additionalProperties".to_owned(), json!(false));
        }
    }
    if let Some(data) = description.pointer_mut("/components/schemas/StreamFrame/properties/data") {
        data["contentMediaType"] = json!("application/json");
        data["contentSchema"] = json!({"$ref": "#/components/schemas/Streamed"});
    }
    for (place, pattern) in [
        ("ProfileFile/properties/profile", "^condyle\\.profile/1$"),
        ("ProfileFile/properties/name", PROFILE),
        ("RecheckRequest/properties/production", NAME),
        ("NewToken/properties/productions/items", NAME),
    ] {
        let place = format!("/components/schemas/{place}");
        if let Some(schema) = description.pointer_mut(&place).and_then(Value::as_object_mut) {
            schema.insert("pattern".to_owned(), json!(pattern));
        }
    }
}

fn merge(schema: &mut Map<String, Value>, more: Value) {
    let Value::Object(more) = more else { return };
    // Headers that may be absent are no headers of `null`.
    if schema.get("type").is_some_and(Value::is_array) {
        schema.insert("type".to_owned(), json!("string"));
    }
    schema.extend(more);
}

/// What is to be added to a parameter.
fn keywords(path: &str, place: &str, name: &str) -> Option<Value> {
    let pattern = |pattern: &str| Some(json!({"pattern": pattern}));
    match (place, name) {
        ("path", "production" | "asset" | "label") | ("query", "from" | "to" | "against") => pattern(NAME),
        ("path", "sha256") => pattern(DIGEST),
        ("path", "id") if path.starts_with("/v1/tokens/") => pattern(TOKEN),
        ("path", "name") if path.starts_with("/v1/references/") || path.starts_with("/v1/profiles/") => {
            pattern(NAME)
        }
        ("query", "production") if path == "/v1/summary" || path == "/v1/events" => pattern(ANY),
        ("query", "since") if path == "/" => pattern(DAY),
        ("query", "cursor") => Some(json!({"pattern": CURSOR, "maxLength": 1_000})),
        ("query", "views") => pattern(VIEWS),
        ("query", "findings") => Some(json!({"enum": ["error", "warning", "note", "none"]})),
        ("query", "colours") => Some(json!({"enum": ["winners"]})),
        ("query", "width") => Some(json!({"minimum": 480, "maximum": 2_400})),
        ("query", "fix") => pattern(FIX),
        ("query", "min_probability") => Some(json!({"minimum": 0, "maximum": 1})),
        ("header", "Idempotency-Key") => pattern(KEY),
        ("header", "Condyle-Reason") => pattern(LINE),
        ("header", "Last-Event-ID") => pattern("^[0-9]{1,18}$"),
        ("header", _) => Some(json!({})),
        _ => None,
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn a_parameter_is_told_as_it_is_refused() {
        let mut description = json!({"paths": {"/v1/tokens/{id}": {"get": {"parameters": [
            {"in": "path", "name": "id", "schema": {"type": "string"}},
            {"in": "header", "name": "Condyle-Reason", "schema": {"type": ["string", "null"]}},
            {"in": "query", "name": "q", "schema": {"type": "string"}},
        ]}}}});
        add(&mut description);
        let parameters = description.pointer("/paths/~1v1~1tokens~1{id}/get/parameters").unwrap();
        assert_eq!(parameters[0]["schema"], json!({"type": "string", "pattern": TOKEN}));
        assert_eq!(parameters[1]["schema"], json!({"type": "string", "pattern": LINE}));
        assert_eq!(parameters[2]["schema"], json!({"type": "string"}));
    }
}
