//! Profiles: what a person may write ([`Profile`] text), merged over what it extends, resolved to settings without gaps.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::registry::CHECKS;
use super::{Bound, Descriptor};
use crate::model::nearest;
use crate::report::{ProfileRef, Severity};

/// Built-in profiles, as reviewed files.
const BUILTIN: &[(&str, &str)] = &[
    ("avatar", include_str!("profiles/avatar.toml")),
    ("film", include_str!("profiles/film.toml")),
    ("h-anim", include_str!("profiles/h_anim.toml")),
    ("h-anim-2", include_str!("profiles/h_anim_2.toml")),
    ("h-anim-3", include_str!("profiles/h_anim_3.toml")),
    ("h-anim-4", include_str!("profiles/h_anim_4.toml")),
    ("realtime", include_str!("profiles/realtime.toml")),
    ("strict", include_str!("profiles/strict.toml")),
];

/// The names of the built-in profiles, sorted.
pub fn builtin_names() -> impl Iterator<Item = &'static str> {
    BUILTIN.iter().map(|(name, _)| *name)
}

/// What a profile file may say.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Options {
    /// `condyle.profile/1`.
    profile: String,
    /// Its name.
    name: String,
    /// What it is for.
    about: String,
    /// The profile it starts from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    extends: Option<String>,
    /// Per check id.
    #[serde(default)]
    checks: BTreeMap<String, CheckOptions>,
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct CheckOptions {
    /// Why the profile departs from the default.
    reason: String,
    /// `false` turns the check off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    enabled: Option<bool>,
    /// Per band name.
    #[serde(default)]
    bands: BTreeMap<String, BandOptions>,
    /// Per setting name.
    #[serde(default)]
    settings: BTreeMap<String, f64>,
}

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct BandOptions {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    limit: Option<f64>,
    /// `error`, `warning`, `note` or `off`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    severity: Option<String>,
}

/// A mistake in a profile: the key, and what to write instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileError {
    /// The key, dotted; empty when the text itself cannot be parsed.
    pub key: String,
    /// What is wrong, with the right key where one is near.
    pub message: String,
}

impl std::fmt::Display for ProfileError {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.key.is_empty() {
            out.write_str(&self.message)
        } else {
            write!(out, "{}: {}", self.key, self.message)
        }
    }
}

impl std::error::Error for ProfileError {}

/// A band as the profile resolved it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandSettings {
    /// The limit.
    pub limit: f64,
    /// The severity; `None` is off.
    pub severity: Option<Severity>,
}

/// A check's settings, resolved: bands in the descriptor's order.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckSettings {
    /// Whether it runs.
    pub enabled: bool,
    /// One per band of the descriptor.
    pub bands: Vec<BandSettings>,
    /// One per setting of the descriptor.
    values: Vec<(&'static str, f64)>,
}

impl CheckSettings {
    fn defaults(check: &Descriptor) -> Self {
        Self {
            enabled: true,
            bands: check
                .bands
                .iter()
                .map(|band| BandSettings { limit: band.limit, severity: band.severity })
                .collect(),
            values: check.settings.iter().map(|s| (s.name, s.default)).collect(),
        }
    }

    /// A setting's value; NaN if the check declares none of that name (a test in `core/tests/catalogue.rs` forbids it).
    pub fn value(&self, name: &str) -> f64 {
        self.values.iter().find(|(n, _)| *n == name).map_or(f64::NAN, |(_, v)| *v)
    }
}

/// A resolved profile.
#[derive(Debug, Clone)]
pub struct Profile {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub about: String,
    /// What it extends.
    pub extends: Option<String>,
    /// The text it was written as (TOML).
    pub text: String,
    /// One per check of the registry, in its order.
    settings: Vec<CheckSettings>,
    digest: String,
}

impl Profile {
    /// A built-in profile.
    pub fn builtin(name: &str) -> Option<Self> {
        let (_, text) = BUILTIN.iter().find(|(known, _)| *known == name)?;
        Self::read(text).ok()
    }

    /// The profile used when nothing else is asked for.
    pub fn realtime() -> Self {
        Self::builtin("realtime").unwrap_or_else(|| Self::bare("realtime"))
    }

    /// The catalogue's defaults under a name.
    fn bare(name: &str) -> Self {
        let settings = CHECKS.iter().map(|check| CheckSettings::defaults(check)).collect();
        let mut profile = Self {
            name: name.into(),
            about: String::new(),
            extends: None,
            text: String::new(),
            settings,
            digest: String::new(),
        };
        profile.digest = profile.compute_digest();
        profile
    }

    /// Reads a profile: TOML, or the same as JSON.
    pub fn read(text: &str) -> Result<Self, ProfileError> {
        Self::read_at(text, 0)
    }

    fn read_at(text: &str, depth: u32) -> Result<Self, ProfileError> {
        let plain = |message: String| ProfileError { key: String::new(), message };
        let options: Options = if text.trim_start().starts_with('{') {
            serde_json::from_str(text).map_err(|e| plain(e.to_string()))?
        } else {
            toml::from_str(text).map_err(|e| plain(e.to_string()))?
        };
        if options.profile != "condyle.profile/1" {
            return Err(ProfileError {
                key: "profile".into(),
                message: "must be \"condyle.profile/1\"".into(),
            });
        }
        let mut profile = match &options.extends {
            None => Self::bare(&options.name),
            Some(base) => {
                let found = BUILTIN.iter().find(|(known, _)| known == base).filter(|_| depth < 8);
                match found {
                    Some((_, text)) => Self::read_at(text, depth + 1)?,
                    None => {
                        let hint = nearest(base, builtin_names())
                            .map_or(String::new(), |n| format!(" (did you mean {n}?)"));
                        return Err(ProfileError {
                            key: "extends".into(),
                            message: format!("no profile is called {base}{hint}"),
                        });
                    }
                }
            }
        };
        profile.name.clone_from(&options.name);
        profile.about.clone_from(&options.about);
        profile.extends.clone_from(&options.extends);
        text.clone_into(&mut profile.text);
        for (id, check) in &options.checks {
            profile.apply(id, check)?;
        }
        profile.digest = profile.compute_digest();
        Ok(profile)
    }

    fn apply(&mut self, id: &str, options: &CheckOptions) -> Result<(), ProfileError> {
        let hinted = |key: String, what: &str, got: &str, near: Option<&str>| ProfileError {
            key,
            message: match near {
                Some(near) => format!("no {what} is called {got} (did you mean {near}?)"),
                None => format!("no {what} is called {got}"),
            },
        };
        let Some(index) = CHECKS.iter().position(|check| check.id == id) else {
            let near = nearest(id, CHECKS.iter().map(|c| c.id));
            return Err(hinted(format!("checks.\"{id}\""), "check", id, near));
        };
        let (descriptor, settings) = (CHECKS[index], &mut self.settings[index]);
        settings.enabled = options.enabled.unwrap_or(settings.enabled);
        for (name, change) in &options.bands {
            let key = format!("checks.\"{id}\".bands.{name}");
            let Some(at) = descriptor.bands.iter().position(|b| b.name == name) else {
                let near = nearest(name, descriptor.bands.iter().map(|b| b.name));
                return Err(hinted(key, "band", name, near));
            };
            if let Some(limit) = change.limit {
                if descriptor.bands[at].bound == Bound::Fact {
                    return Err(ProfileError {
                        key: format!("{key}.limit"),
                        message: "this band has no limit".into(),
                    });
                }
                settings.bands[at].limit = limit;
            }
            if let Some(word) = &change.severity {
                settings.bands[at].severity = match word.as_str() {
                    "error" => Some(Severity::Error),
                    "warning" => Some(Severity::Warning),
                    "note" => Some(Severity::Note),
                    "off" => None,
                    other => {
                        let near = nearest(other, ["error", "warning", "note", "off"]);
                        return Err(hinted(format!("{key}.severity"), "severity", other, near));
                    }
                };
            }
        }
        for (name, value) in &options.settings {
            let key = format!("checks.\"{id}\".settings.{name}");
            let Some(at) = descriptor.settings.iter().position(|s| s.name == name) else {
                let near = nearest(name, descriptor.settings.iter().map(|s| s.name));
                return Err(hinted(key, "setting", name, near));
            };
            settings.values[at].1 = *value;
        }
        Ok(())
    }

    /// The settings of the `index`-th check of the registry.
    pub fn settings(&self, index: usize) -> &CheckSettings {
        &self.settings[index]
    }

    /// Its name and digest, for the report.
    pub fn reference(&self) -> ProfileRef {
        ProfileRef { name: self.name.clone(), digest: self.digest.clone() }
    }

    /// Digest of the resolved settings: two texts that mean the same have the same.
    fn compute_digest(&self) -> String {
        let mut hash = Sha256::new();
        for (check, settings) in CHECKS.iter().zip(&self.settings) {
            hash.update(format!("{} {}\n", check.id, settings.enabled));
            for (band, now) in check.bands.iter().zip(&settings.bands) {
                hash.update(format!("{} {} {:?}\n", band.name, now.limit, now.severity));
            }
            for (name, value) in &settings.values {
                hash.update(format!("{name} {value}\n"));
            }
        }
        format!("sha256:{}", hex(&hash.finalize()))
    }
}

/// Lower-case hex.
pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut out, byte| {
        let _ = write!(out, "{byte:02x}");
        out
    })
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    #[test]
    fn every_builtin_profile_reads() {
        for name in builtin_names() {
            assert_eq!(Profile::builtin(name).unwrap().name, name);
        }
    }

    #[test]
    fn a_mistake_names_the_key_and_the_right_spelling() {
        let text = "profile = \"condyle.profile/1\"\nname = \"x\"\nabout = \"\"\n[checks.\"skin/sun\"]\nreason = \"\"\n";
        let error = Profile::read(text).unwrap_err();
        assert_eq!(error.key, "checks.\"skin/sun\"");
        assert!(error.message.contains("did you mean skin/sum?"), "{}", error.message);
    }
}
