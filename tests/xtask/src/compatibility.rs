//! The API against what was released: clients written for a released description go on working.
//!
//! A change breaks them when a path, a method, an answer or a member of an answer goes, or when a request must carry
//! more than before. Snapshots lie in `openapi/released/`, one per version.

use std::fs;
use std::path::Path;

use serde_json::{Map, Value};

/// How deep schemas are followed; they may refer to themselves.
const DEPTH: usize = 12;

/// Fails with every breach against every released description.
pub(crate) fn check(root: &Path) -> Result<(), String> {
    let now = load(&root.join("openapi/openapi.json"))?;
    let folder = root.join("openapi/released");
    let entries = fs::read_dir(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "json"));
    paths.sort();
    if paths.is_empty() {
        return Err("openapi/released holds no description to compare with".to_owned());
    }
    let mut breaches = Vec::new();
    for path in paths {
        let before = load(&path)?;
        breaches.extend(compare(&before, &now).iter().map(|text| format!("{}: {text}", path.display())));
    }
    if breaches.is_empty() { Ok(()) } else { Err(breaches.join("\n")) }
}

fn load(path: &Path) -> Result<Value, String> {
    let text = fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
    serde_json::from_str(&text).map_err(|error| format!("{}: {error}", path.display()))
}

/// What a client of `before` would miss in `now`.
fn compare(before: &Value, now: &Value) -> Vec<String> {
    let mut comparison = Comparison { before, now, breaches: Vec::new() };
    for (path, methods) in members(&before["paths"]) {
        let Some(others) = now["paths"].get(path) else {
            comparison.breaches.push(format!("the path {path} is gone"));
            continue;
        };
        for (method, operation) in members(methods) {
            if !["get", "put", "post", "delete", "head", "patch", "options"].contains(&method.as_str()) {
                continue;
            }
            match others.get(method) {
                Some(other) => comparison.operation(&format!("{method} {path}"), operation, other),
                None => comparison.breaches.push(format!("{method} {path} is gone")),
            }
        }
    }
    comparison.breaches
}

struct Comparison<'a> {
    before: &'a Value,
    now: &'a Value,
    breaches: Vec<String>,
}

impl<'a> Comparison<'a> {
    fn operation(&mut self, name: &str, before: &'a Value, now: &'a Value) {
        for parameter in list(&now["parameters"]).iter().filter(|p| p["required"] == true) {
            let same = |other: &&Value| other["name"] == parameter["name"] && other["in"] == parameter["in"];
            if !list(&before["parameters"]).iter().find(same).is_some_and(|other| other["required"] == true) {
                self.breaches.push(format!("{name}: the parameter {} is newly required", parameter["name"]));
            }
        }
        for parameter in list(&before["parameters"]) {
            let same = |other: &&Value| other["name"] == parameter["name"] && other["in"] == parameter["in"];
            if !list(&now["parameters"]).iter().any(|other| same(&other)) {
                self.breaches.push(format!("{name}: the parameter {} is gone", parameter["name"]));
            }
        }
        // A body of which the older description gave no schema was not described: what it takes is no narrower for being
        // told now.
        let described = |content: &Value| !content["schema"].is_null();
        let told = members(&before["requestBody"]["content"]).any(|(_, content)| described(content))
            || before["requestBody"].is_null();
        if told && now["requestBody"]["required"] == true && before["requestBody"]["required"] != true {
            self.breaches.push(format!("{name}: a body is newly required"));
        }
        for (kind, content) in members(&before["requestBody"]["content"]) {
            match now["requestBody"]["content"].get(kind) {
                Some(other) if described(content) => {
                    self.schema(&format!("{name} body"), &content["schema"], &other["schema"], false, DEPTH);
                }
                Some(_) => {}
                None => self.breaches.push(format!("{name}: no longer takes {kind}")),
            }
        }
        for (status, response) in members(&before["responses"]) {
            let Some(other) = now["responses"].get(status) else {
                self.breaches.push(format!("{name}: the answer {status} is gone"));
                continue;
            };
            for (kind, content) in members(&response["content"]) {
                match other["content"].get(kind) {
                    // What is no JSON is bytes or text, whatever a schema says.
                    Some(_) if !kind.ends_with("json") => {}
                    Some(there) => {
                        let place = format!("{name} {status}");
                        self.schema(&place, &content["schema"], &there["schema"], true, DEPTH);
                    }
                    None => self.breaches.push(format!("{name} {status}: no longer answers {kind}")),
                }
            }
        }
    }

    /// In answers no member may go; in requests none may become required.
    fn schema(&mut self, place: &str, before: &'a Value, now: &'a Value, answer: bool, depth: usize) {
        if depth == 0 {
            return;
        }
        let (before, now) = (resolve(self.before, before), resolve(self.now, now));
        if !now["type"].is_null() && !before["type"].is_null() && before["type"] != now["type"] {
            self.breaches.push(format!("{place}: {} became {}", before["type"], now["type"]));
            return;
        }
        for key in ["allOf", "oneOf", "anyOf"] {
            // Variants of one kind, in their order; a new one at the end is no breach.
            for (number, part) in list(&before[key]).iter().enumerate() {
                match list(&now[key]).get(number) {
                    Some(other) => self.schema(place, part, other, answer, depth - 1),
                    None => self.breaches.push(format!("{place}: a variant is gone")),
                }
            }
        }
        let required = |schema: &Value, name: &str| list(&schema["required"]).iter().any(|n| n == name);
        for (name, property) in members(&before["properties"]) {
            match now["properties"].get(name) {
                Some(other) => {
                    if answer && required(before, name) && !required(now, name) {
                        self.breaches.push(format!("{place}.{name} may now be absent"));
                    }
                    self.schema(&format!("{place}.{name}"), property, other, answer, depth - 1);
                }
                None if answer => self.breaches.push(format!("{place}.{name} is gone")),
                None => self.breaches.push(format!("{place}.{name} is no longer taken")),
            }
        }
        if !answer {
            for (name, _) in members(&now["properties"]) {
                if required(now, name) && !required(before, name) {
                    self.breaches.push(format!("{place}.{name} is newly required"));
                }
            }
        }
        if before.get("items").is_some() {
            self.schema(&format!("{place}[]"), &before["items"], &now["items"], answer, depth - 1);
        }
    }
}

fn resolve<'v>(document: &'v Value, schema: &'v Value) -> &'v Value {
    match schema.get("$ref").and_then(Value::as_str).and_then(|name| name.strip_prefix('#')) {
        Some(pointer) => document.pointer(pointer).unwrap_or(&Value::Null),
        None => schema,
    }
}

fn members(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value.as_object().into_iter().flat_map(Map::iter)
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn released() -> Value {
        json!({
            "paths": {
                "/tides": {
                    "get": {
                        "parameters": [{"name": "day", "in": "query"}],
                        "responses": {"200": {"content": {"application/json": {
                            "schema": {"$ref": "#/components/schemas/Tide"}}}}}
                    },
                    "post": {
                        "requestBody": {"content": {"application/json": {"schema": {
                            "type": "object", "properties": {"height": {"type": "number"}}}}}},
                        "responses": {"201": {}}
                    }
                }
            },
            "components": {"schemas": {"Tide": {
                "type": "object", "required": ["height"],
                "properties": {
                    "height": {"type": "number"},
                    "harbours": {"type": "array", "items": {"type": "object", "properties": {"name": {"type": "string"}}}}
                }
            }}}
        })
    }

    /// Compares after a change at one place (JSON Pointer).
    fn after(pointer: &str, change: Value) -> Vec<String> {
        let mut now = released();
        match now.pointer_mut(pointer) {
            Some(place) => *place = change,
            None => panic!("{pointer} is no place"),
        }
        compare(&released(), &now)
    }

    #[test]
    fn the_same_and_more_is_no_breach() {
        assert_eq!(compare(&released(), &released()), Vec::<String>::new());
        let mut more = released();
        more["paths"]["/moons"] = json!({"get": {}});
        more["paths"]["/tides"]["get"]["parameters"] =
            json!([{"name": "day", "in": "query"}, {"name": "hour", "in": "query"}]);
        more["components"]["schemas"]["Tide"]["properties"]["salt"] = json!({"type": "number"});
        assert_eq!(compare(&released(), &more), Vec::<String>::new());
    }

    #[test]
    fn each_way_to_break_a_client_is_told() {
        let tide = "/components/schemas/Tide";
        let body = "/paths/~1tides/post/requestBody/content/application~1json/schema";
        let cases = [
            ("/paths", json!({}), "the path /tides is gone"),
            ("/paths/~1tides", json!({"get": released()["paths"]["/tides"]["get"]}), "post /tides is gone"),
            ("/paths/~1tides/get/responses", json!({}), "get /tides: the answer 200 is gone"),
            ("/paths/~1tides/get/parameters", json!([]), "get /tides: the parameter \"day\" is gone"),
            (
                "/paths/~1tides/get/parameters",
                json!([{"name": "day", "in": "query", "required": true}]),
                "get /tides: the parameter \"day\" is newly required",
            ),
            (
                &format!("{tide}/properties"),
                json!({"height": {"type": "number"}}),
                "get /tides 200.harbours is gone",
            ),
            (
                &format!("{tide}/properties/height"),
                json!({"type": "string"}),
                "get /tides 200.height: \"number\" became \"string\"",
            ),
            (&format!("{tide}/required"), json!([]), "get /tides 200.height may now be absent"),
            (
                &format!("{tide}/properties/harbours/items/properties"),
                json!({}),
                "get /tides 200.harbours[].name is gone",
            ),
            (
                body,
                json!({"type": "object", "required": ["height"], "properties": {"height": {"type": "number"}}}),
                "post /tides body.height is newly required",
            ),
        ];
        for (pointer, change, expected) in cases {
            assert_eq!(after(pointer, change), [expected], "{pointer}");
        }
    }
}
