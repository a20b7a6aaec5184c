//! The OpenAPI 3.1 description and the JSON Schema of the plan, from the code.

mod shapes;

use serde_json::{Map, Value, json};
use utoipa::OpenApi;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Condyle",
        description = "Tells whether a skeleton fits its body.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    tags(
        (name = "checks", description = "Check a rig: bytes in, a report out; nothing is kept"),
        (name = "parents", description = "Suggest the parent of every joint that has none; nothing is kept"),
        (name = "assets", description = "Revisions of assets with their reports, kept"),
        (name = "jobs", description = "Work that was accepted and is done later"),
        (name = "rechecks", description = "Campaigns: what is stored, checked again"),
        (name = "webhooks", description = "Telling other programs what happened, signed by the Standard Webhooks scheme"),
        (name = "catalogue", description = "What is checked, and why"),
        (name = "profiles", description = "Limits and severities for a target"),
        (name = "access", description = "Who may do what, and what was done"),
        (name = "system", description = "Description, probes, metrics"),
        (name = "web", description = "Pages for people"),
    ),
    components(schemas(
        condyle_core::intake::plan::Plan,
        condyle_core::check::ProfileFile,
        condyle_api::WebhookMessage,
        condyle_api::Streamed
    ))
)]
struct Frame;

/// What the description holds beside the routes.
pub(crate) fn frame() -> utoipa::openapi::OpenApi {
    let mut frame = Frame::openapi();
    let token = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .bearer_format("condyle_ID_SECRET")
        .description(Some(
            "Where `access.tokens` is set. The scope that an operation takes stands beside the scheme's name. The web \
             pages and every other GET also take the cookie that `POST /sign-in` sets.",
        ))
        .build();
    if let Some(components) = &mut frame.components {
        components.add_security_scheme("token", SecurityScheme::Http(token));
    }
    frame
}

/// Adds to every operation that may take a token how it is refused.
fn add_refusals(description: &mut Value) {
    let problem = |text: &str| {
        let schema = json!({"$ref": "#/components/schemas/Problem"});
        json!({"description": text, "content": {"application/problem+json": {"schema": schema}}})
    };
    let refusals = [
        ("401", problem("No token came, or none that is good")),
        (
            "403",
            problem(
                "The token does not allow this, or not in this production (whether that is there or not)",
            ),
        ),
        ("429", problem("The token asks too often, or too many bad ones came from this address")),
    ];
    let paths = description.get_mut("paths").and_then(Value::as_object_mut);
    let operations = paths.into_iter().flat_map(|paths| paths.values_mut()).filter_map(Value::as_object_mut);
    for operation in operations.flat_map(|methods| methods.values_mut()) {
        if operation.get("security").is_none() {
            continue;
        }
        let Some(responses) = operation.get_mut("responses").and_then(Value::as_object_mut) else { continue };
        for (status, refusal) in &refusals {
            responses.entry(*status).or_insert_with(|| refusal.clone());
        }
    }
}

fn description() -> utoipa::openapi::OpenApi {
    crate::routes::described().into_openapi()
}

/// `openapi.json`, pretty-printed.
pub fn document() -> String {
    let mut description = serde_json::to_value(description()).unwrap_or_default();
    add_refusals(&mut description);
    shapes::add(&mut description);
    let mut text = serde_json::to_string_pretty(&description).unwrap_or_default();
    text.push('\n');
    text
}

/// `plan.schema.json`: JSON Schema 2020-12 of the plan, pretty-printed.
pub fn plan_schema() -> String {
    schema("Plan", "condyle.plan/1")
}

/// `profile.schema.json`: JSON Schema 2020-12 of the profile, pretty-printed.
pub fn profile_schema() -> String {
    schema("ProfileFile", "condyle.profile/1")
}

/// The JSON Schema of a component with everything it refers to.
fn schema(name: &str, id: &str) -> String {
    let mut description = serde_json::to_value(frame()).unwrap_or_default();
    shapes::add_to_components(&mut description);
    let all =
        description.pointer("/components/schemas").and_then(Value::as_object).cloned().unwrap_or_default();
    let mut needed = vec![name.to_owned()];
    let mut definitions = Map::new();
    let mut at = 0;
    while at < needed.len() {
        let name = needed[at].clone();
        at += 1;
        if let Some(schema) = all.get(&name) {
            let mut schema = schema.clone();
            rewrite(&mut schema, &mut needed);
            definitions.insert(name, schema);
        }
    }
    let mut root = definitions.shift_remove(name).unwrap_or_default();
    definitions.sort_keys();
    if let Some(root) = root.as_object_mut() {
        let mut whole = Map::new();
        whole.insert("$schema".into(), json!("https://json-schema.org/draft/2020-12/schema"));
        whole.insert("$id".into(), json!(id));
        whole.append(root);
        whole.insert("$defs".into(), Value::Object(definitions));
        let mut text = serde_json::to_string_pretty(&whole).unwrap_or_default();
        text.push('\n');
        return text;
    }
    String::new()
}

/// Turns references to components into references to definitions, noting the names.
fn rewrite(value: &mut Value, needed: &mut Vec<String>) {
    match value {
        Value::Object(map) => {
            for (key, inner) in map.iter_mut() {
                if key == "$ref"
                    && let Some(name) = inner.as_str().and_then(|r| r.strip_prefix("#/components/schemas/"))
                {
                    let name = name.to_owned();
                    *inner = json!(format!("#/$defs/{name}"));
                    if !needed.contains(&name) {
                        needed.push(name);
                    }
                } else {
                    rewrite(inner, needed);
                }
            }
        }
        Value::Array(list) => list.iter_mut().for_each(|inner| rewrite(inner, needed)),
        _ => {}
    }
}

/// `problems.md`.
pub fn problems() -> String {
    let mut text = String::from(
        "# Problems\n\nMade by `cargo xtask gen`. Every error is an RFC 9457 problem document \
         (`application/problem+json`). Its `type` is `/problems/` and one of these names; nothing else is ever sent. A \
         rig full of faults is no error: it is a 200 with a report.\n\n| type | status | title | what to do |\n|---|---|---|---|\n",
    );
    for kind in crate::problem::KINDS {
        text.push_str(&format!("| `{}` | {} | {} | {} |\n", kind.name, kind.status, kind.title, kind.remedy));
    }
    text
}

/// `core/CHECKS.md`: the index of the catalogue.
pub fn checks_index() -> String {
    use condyle_core::check::{CATALOGUE_VERSION, CHECKS};
    let mut text = format!(
        "# Checks\n\nCatalogue {CATALOGUE_VERSION}, {} checks. Made by `cargo xtask gen`; each id links to its page.\n\n\
         | id | finds |\n|---|---|\n",
        CHECKS.len()
    );
    for check in CHECKS {
        let path = check.id.replace('-', "_");
        text.push_str(&format!("| [{}](src/checks/{path}.md) | {} |\n", check.id, check.summary));
    }
    text
}
