//! Typed looks into the glTF JSON, with the pointer in every fault.

use serde_json::Value;

use crate::intake::{Fault, FaultKind, Place};
use crate::model::{Reads, Unread};

/// Extensions whose content is read, or that change nothing that is checked.
const UNDERSTOOD: &[&str] = &[
    "KHR_mesh_quantization",
    "EXT_meshopt_compression",
    "KHR_draco_mesh_compression",
    "KHR_lights_punctual",
    "KHR_texture_transform",
    "KHR_texture_basisu",
    "EXT_texture_webp",
    "EXT_texture_avif",
    "VRM",
    "VRMC_vrm",
    "VRMC_springBone",
    "VRMC_node_constraint",
    "VRMC_materials_mtoon",
];

/// The document and the file it came in.
#[derive(Clone, Copy)]
pub(super) struct Doc<'a> {
    pub(super) file: &'a str,
    pub(super) root: &'a Value,
}

impl<'a> Doc<'a> {
    pub(super) fn invalid(
        &self,
        pointer: impl Into<String>,
        message: impl Into<String>,
        rule: &'static str,
    ) -> Fault {
        Fault {
            kind: FaultKind::Invalid,
            file: self.file.to_owned(),
            place: Place::Pointer(pointer.into()),
            message: message.into(),
            rule: Some(rule),
        }
    }

    pub(super) fn limit(&self, pointer: impl Into<String>, limit: &'static str, max: u64, got: u64) -> Fault {
        Fault {
            kind: FaultKind::Limit { limit, max, got },
            file: self.file.to_owned(),
            place: Place::Pointer(pointer.into()),
            message: format!("{got} is more than the limit {limit} of {max}"),
            rule: None,
        }
    }

    pub(super) fn check_version(&self) -> Result<(), Fault> {
        let Some(asset) = self.root.get("asset").filter(|asset| asset.is_object()) else {
            return Err(self.invalid("/asset", "a glTF names its version in asset", "glTF 2.0 §3.2"));
        };
        let major = |key: &str| {
            asset.get(key).and_then(Value::as_str).map(|v| v.split('.').next().unwrap_or("").to_owned())
        };
        match (major("minVersion"), major("version")) {
            (Some(v), _) | (None, Some(v)) if v == "2" => Ok(()),
            (_, Some(v)) => {
                let shown: String = v.chars().take(20).collect();
                Err(self.invalid("/asset/version", format!("version {shown} is not 2"), "glTF 2.0 §3.2"))
            }
            (_, None) => Err(self.invalid("/asset/version", "a glTF names its version", "glTF 2.0 §3.2")),
        }
    }

    /// A top-level list; absent is empty.
    pub(super) fn list(&self, key: &str) -> Result<&'a [Value], Fault> {
        match self.root.get(key) {
            None => Ok(&[]),
            Some(Value::Array(list)) => {
                if let Some(at) = list.iter().position(|item| !item.is_object()) {
                    return Err(self.invalid(format!("/{key}/{at}"), "must be an object", "glTF 2.0 §5"));
                }
                Ok(list)
            }
            Some(_) => Err(self.invalid(format!("/{key}"), "must be a list", "glTF 2.0 §5")),
        }
    }

    pub(super) fn count(&self, key: &str) -> usize {
        self.root.get(key).and_then(Value::as_array).map_or(0, Vec::len)
    }

    /// A whole number that is not negative; `3.0` and `3e0` are whole (§2.8).
    pub(super) fn whole(&self, object: &Value, key: &str, pointer: &str) -> Result<Option<u64>, Fault> {
        match object.get(key) {
            None => Ok(None),
            Some(value) => whole(value).map(Some).ok_or_else(|| {
                self.invalid(
                    format!("{pointer}/{key}"),
                    "must be a whole number that is not negative",
                    "glTF 2.0 §2.8",
                )
            }),
        }
    }

    /// An index into a list of `length`.
    pub(super) fn index(
        &self,
        object: &Value,
        key: &str,
        pointer: &str,
        length: usize,
        what: &str,
    ) -> Result<Option<usize>, Fault> {
        let Some(found) = self.whole(object, key, pointer)? else { return Ok(None) };
        if found >= length as u64 {
            return Err(self.outside(format!("{pointer}/{key}"), found, length, what));
        }
        Ok(Some(found as usize))
    }

    pub(super) fn outside(&self, pointer: String, found: u64, length: usize, what: &str) -> Fault {
        self.invalid(pointer, format!("points to {what} {found} of {length}"), "glTF 2.0 §3.3")
    }

    /// A list of indices; absent is empty.
    pub(super) fn indices(
        &self,
        object: &Value,
        key: &str,
        pointer: &str,
        length: usize,
        what: &str,
    ) -> Result<Vec<usize>, Fault> {
        let Some(value) = object.get(key) else { return Ok(Vec::new()) };
        let Some(list) = value.as_array() else {
            return Err(self.invalid(format!("{pointer}/{key}"), "must be a list of indices", "glTF 2.0 §5"));
        };
        list.iter()
            .enumerate()
            .map(|(at, value)| {
                let here = || format!("{pointer}/{key}/{at}");
                let found =
                    whole(value).ok_or_else(|| self.invalid(here(), "must be an index", "glTF 2.0 §3.3"))?;
                if found >= length as u64 {
                    return Err(self.outside(here(), found, length, what));
                }
                Ok(found as usize)
            })
            .collect()
    }

    /// `N` numbers; absent is `None`.
    pub(super) fn numbers<const N: usize>(
        &self,
        object: &Value,
        key: &str,
        pointer: &str,
    ) -> Result<Option<[f64; N]>, Fault> {
        let Some(value) = object.get(key) else { return Ok(None) };
        let list: Option<Vec<f64>> =
            value.as_array().and_then(|list| list.iter().map(Value::as_f64).collect::<Option<Vec<f64>>>());
        list.and_then(|list| <[f64; N]>::try_from(list).ok()).map(Some).ok_or_else(|| {
            self.invalid(format!("{pointer}/{key}"), format!("must be a list of {N} numbers"), "glTF 2.0 §5")
        })
    }

    /// A name; one that is not text is a fault.
    pub(super) fn name(&self, object: &Value, pointer: &str, most: u64) -> Result<Option<String>, Fault> {
        match object.get("name") {
            None => Ok(None),
            Some(Value::String(name)) if name.len() as u64 <= most => Ok(Some(name.clone())),
            Some(Value::String(name)) => {
                Err(self.limit(format!("{pointer}/name"), "name_bytes", most, name.len() as u64))
            }
            Some(_) => Err(self.invalid(format!("{pointer}/name"), "must be text", "glTF 2.0 §3.3")),
        }
    }

    pub(super) fn unknown_required(&self) -> Vec<Unread> {
        let required = self.root.get("extensionsRequired").and_then(Value::as_array);
        required
            .into_iter()
            .flatten()
            .filter_map(Value::as_str)
            .filter(|name| !UNDERSTOOD.contains(name))
            .enumerate()
            .take(20)
            .map(|(at, name)| {
                let shown: String = name.chars().take(60).collect();
                Unread {
                    reads: Reads::empty(),
                    reason: format!("the required extension {shown} is not read"),
                    pointer: format!("/extensionsRequired/{at}"),
                }
            })
            .collect()
    }

    pub(super) fn default_scene_name(&self) -> Option<String> {
        let index = self.root.get("scene").and_then(whole).unwrap_or(0) as usize;
        let scene = self.root.get("scenes")?.as_array()?.get(index)?;
        scene.get("name")?.as_str().map(|name| name.chars().take(200).collect())
    }

    pub(super) fn own_extras(&self) -> Option<&'a Value> {
        self.root.get("extras")?.get("condyle")
    }
}

/// A whole number that is not negative, however it is written.
pub(super) fn whole(value: &Value) -> Option<u64> {
    value
        .as_u64()
        .or_else(|| value.as_f64().filter(|f| f.fract() == 0.0 && *f >= 0.0 && *f < 9e15).map(|f| f as u64))
}
