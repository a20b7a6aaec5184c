//! Sparse answers: `fields=asset,latest.verdict`.

use condyle_api::{Asset, AssetPage, Revision};
use condyle_core::model::nearest;
use condyle_core::report::{Counts, Verdict};
use serde_json::{Map, Value, json};

use crate::problem::{ApiError, shown};

/// Fields that one request may name.
const MOST: usize = 64;

/// The members of an asset that are wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fields(Vec<Vec<String>>);

impl Fields {
    /// Reads a list; a name that no asset has is an error with the nearest one.
    pub(crate) fn read(text: &str) -> Result<Self, ApiError> {
        let known = known();
        let mut wanted = Vec::new();
        for name in text.split(',').map(str::trim).filter(|name| !name.is_empty()) {
            if !known.iter().any(|one| one == name) {
                let near = nearest(name, known.iter().map(String::as_str));
                let hint = near.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
                return Err(ApiError::InvalidRequest(format!("no field is called {}{hint}", shown(name))));
            }
            wanted.push(name.split('.').map(str::to_owned).collect());
        }
        if wanted.is_empty() || wanted.len() > MOST {
            return Err(ApiError::InvalidRequest(format!("fields names 1 to {MOST} members")));
        }
        Ok(Self(wanted))
    }

    /// The page with these members alone.
    pub(crate) fn page(&self, page: &AssetPage) -> Result<Value, ApiError> {
        let mut value = serde_json::to_value(page).map_err(|error| ApiError::Internal(error.to_string()))?;
        if let Some(items) = value.get_mut("items").and_then(Value::as_array_mut) {
            for item in items {
                *item = self.pick(item);
            }
        }
        Ok(value)
    }

    /// In the order of the whole item, whatever the order of the fields: the same fields give the same bytes.
    fn pick(&self, item: &Value) -> Value {
        let wanted: Vec<&[String]> = self.0.iter().map(Vec::as_slice).collect();
        pick(item, &wanted)
    }
}

fn pick(value: &Value, wanted: &[&[String]]) -> Value {
    let Value::Object(map) = value else { return value.clone() };
    if wanted.iter().any(|path| path.is_empty()) {
        return value.clone();
    }
    let mut out = Map::new();
    for (key, inner) in map {
        let below: Vec<&[String]> =
            wanted.iter().filter(|path| path[0] == *key).map(|path| &path[1..]).collect();
        if !below.is_empty() {
            out.insert(key.clone(), pick(inner, &below));
        }
    }
    Value::Object(out)
}

/// Every member that an asset can have, by its dotted name: taken from one, so that none is forgotten.
fn known() -> Vec<String> {
    let text = String::new;
    let sample = Asset {
        production: text(),
        asset: text(),
        changed_at: text(),
        latest: Revision {
            production: text(),
            asset: text(),
            label: text(),
            number: 0,
            input_sha256: text(),
            input_bytes: 0,
            verdict: Verdict::Pass,
            counts: Counts::default(),
            profile: text(),
            catalogue: text(),
            submitted_at: text(),
            report_url: text(),
        },
    };
    let mut names = Vec::new();
    walk(&json!(sample), "", &mut names);
    names
}

fn walk(value: &Value, above: &str, names: &mut Vec<String>) {
    for (key, inner) in value.as_object().into_iter().flatten() {
        let name = if above.is_empty() { key.clone() } else { format!("{above}.{key}") };
        walk(inner, &name, names);
        names.push(name);
    }
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn members_are_picked_at_any_depth_and_a_slip_is_told() {
        let item =
            json!({"asset": "heron", "latest": {"verdict": "fail", "counts": {"error": 1, "note": 0}}});
        let picked = |fields: &str| Fields::read(fields).unwrap().pick(&item);
        assert_eq!(
            picked("latest.counts.error,asset"),
            json!({"asset": "heron", "latest": {"counts": {"error": 1}}})
        );
        assert_eq!(
            picked("latest.counts,latest.counts.error"),
            json!({"latest": {"counts": {"error": 1, "note": 0}}})
        );
        let ApiError::InvalidRequest(text) = Fields::read("latest.verdit").unwrap_err() else { panic!() };
        assert_eq!(text, "no field is called latest.verdit (did you mean latest.verdict?)");
        assert!(Fields::read(" , ").is_err());
    }
}
