//! Versions of the catalogue: which checks there were, with the limits and severities that held unless a profile said
//! otherwise, and the built-in profiles of that time.
//!
//! A run that is pinned to a version is judged by it, so that a rule that was changed since does not look like an asset
//! that was. What a check measures is never versioned: a check that measures something else gets a new id.

use std::collections::BTreeMap;
use std::sync::{LazyLock, OnceLock};

use serde::{Deserialize, Serialize};

use super::profile::{BUILTIN, BandSettings, CheckSettings};
use super::registry::{CATALOGUE_VERSION, CHECKS};
use super::{Bound, Descriptor, Profile, Stability};
use crate::model::nearest;
use crate::report::Severity;

/// Every version that was released, the oldest first: `cargo xtask release-catalogue` adds one and changes none.
const RELEASED: &[(&str, &str)] = &[
    ("0.9.0", include_str!("catalogues/0.9.0.json")),
    ("1.0.0", include_str!("catalogues/1.0.0.json")),
    ("1.1.0", include_str!("catalogues/1.1.0.json")),
    ("1.2.0", include_str!("catalogues/1.2.0.json")),
];

/// A band as it was released.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReleasedBand {
    /// The limit; nothing where the fact itself is the breach.
    pub limit: Option<f64>,
    /// The severity; nothing is off.
    pub severity: Option<Severity>,
}

/// A check as it was released.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReleasedCheck {
    /// Whether it was a preview, which no gate counts.
    pub preview: bool,
    /// Its bands by name.
    pub bands: BTreeMap<String, ReleasedBand>,
    /// Its other numbers by name.
    pub settings: BTreeMap<String, f64>,
}

/// The file of a released version.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Release {
    /// The version.
    pub version: String,
    /// The checks by id.
    pub checks: BTreeMap<String, ReleasedCheck>,
    /// Texts of the built-in profiles by name.
    pub profiles: BTreeMap<String, String>,
}

impl Release {
    /// The catalogue as it is now.
    pub fn now() -> Self {
        let check = |check: &&Descriptor| {
            let bands = check.bands.iter().map(|band| {
                let limit = (band.bound != Bound::Fact).then_some(band.limit);
                (band.name.to_owned(), ReleasedBand { limit, severity: band.severity })
            });
            let settings = check.settings.iter().map(|one| (one.name.to_owned(), one.default));
            let preview = check.stability == Stability::Preview;
            (
                check.id.to_owned(),
                ReleasedCheck { preview, bands: bands.collect(), settings: settings.collect() },
            )
        };
        Self {
            version: CATALOGUE_VERSION.to_owned(),
            checks: CHECKS.iter().map(check).collect(),
            profiles: BUILTIN.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect(),
        }
    }

    /// The file of a released version; nothing where there is none.
    ///
    /// # Errors
    /// The file is broken, which a test forbids.
    pub fn of(version: &str) -> Option<Result<Self, serde_json::Error>> {
        let (_, text) = RELEASED.iter().find(|(known, _)| *known == version)?;
        Some(serde_json::from_str(text))
    }
}

/// What a version knows of a check.
#[derive(Debug, Clone)]
struct Known {
    preview: bool,
    settings: CheckSettings,
    /// One per band of the descriptor: whether the version has it.
    bands: Vec<bool>,
}

/// A version of the catalogue.
#[derive(Debug)]
pub struct Catalogue {
    version: String,
    /// One per check of the registry.
    checks: Vec<Option<Known>>,
    profiles: BTreeMap<String, String>,
    /// The same, each read when it is first asked for.
    read: BTreeMap<String, OnceLock<Option<Profile>>>,
}

/// A version that was never released.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownCatalogue {
    /// As asked.
    pub version: String,
    /// The nearest version.
    pub suggestion: Option<&'static str>,
}

static CURRENT: LazyLock<Catalogue> = LazyLock::new(|| Catalogue::from_release(&Release::now()));

static OLDER: LazyLock<Vec<Catalogue>> = LazyLock::new(|| {
    let older = Catalogue::versions().filter(|version| *version != CATALOGUE_VERSION);
    let read = older.filter_map(|version| Release::of(version)?.ok());
    read.map(|release| Catalogue::from_release(&release)).collect()
});

impl Catalogue {
    /// The newest one.
    pub fn current() -> &'static Self {
        &CURRENT
    }

    /// A version by its name.
    ///
    /// # Errors
    /// It was never released.
    pub fn find(version: &str) -> Result<&'static Self, UnknownCatalogue> {
        if version == CATALOGUE_VERSION {
            return Ok(Self::current());
        }
        OLDER.iter().find(|one| one.version == version).ok_or_else(|| UnknownCatalogue {
            version: version.to_owned(),
            suggestion: nearest(version, Self::versions()),
        })
    }

    /// The names of all versions, the oldest first.
    pub fn versions() -> impl Iterator<Item = &'static str> {
        RELEASED.iter().map(|(version, _)| *version)
    }

    /// Its name.
    pub fn version(&self) -> &str {
        &self.version
    }

    /// Whether it has the `index`-th check of the registry.
    pub fn has(&self, index: usize) -> bool {
        self.checks.get(index).is_some_and(Option::is_some)
    }

    /// Whether the `index`-th check of the registry was a preview.
    pub fn previews(&self, index: usize) -> bool {
        self.known(index).is_some_and(|known| known.preview)
    }

    /// Whether it has a band of the `index`-th check of the registry.
    pub(super) fn has_band(&self, index: usize, band: usize) -> bool {
        self.known(index).is_some_and(|known| known.bands.get(band) == Some(&true))
    }

    /// What holds for the `index`-th check unless a profile says otherwise; all off where the version has it not.
    pub(super) fn defaults(&self, index: usize, check: &Descriptor) -> CheckSettings {
        self.known(index).map_or_else(
            || {
                let mut off = CheckSettings::defaults(check);
                off.enabled = false;
                off
            },
            |known| known.settings.clone(),
        )
    }

    /// Names of its built-in profiles with their texts.
    pub(super) fn profiles(&self) -> &BTreeMap<String, String> {
        &self.profiles
    }

    /// One of them.
    pub(super) fn builtin(&'static self, name: &str) -> Option<Profile> {
        let (text, read) = (self.profiles.get(name)?, self.read.get(name)?);
        read.get_or_init(|| Profile::read_under(text, &BTreeMap::new(), self).ok()).clone()
    }

    fn known(&self, index: usize) -> Option<&Known> {
        self.checks.get(index)?.as_ref()
    }

    fn from_release(release: &Release) -> Self {
        let known = |check: &&Descriptor| {
            let released = release.checks.get(check.id)?;
            let mut settings = CheckSettings::defaults(check);
            let mut bands = Vec::with_capacity(check.bands.len());
            for (band, now) in check.bands.iter().zip(&mut settings.bands) {
                let was = released.bands.get(band.name);
                bands.push(was.is_some());
                *now = match was {
                    Some(was) => {
                        BandSettings { limit: was.limit.unwrap_or(now.limit), severity: was.severity }
                    }
                    None => BandSettings { severity: None, ..*now },
                };
            }
            for (name, value) in &mut settings.values {
                *value = released.settings.get(*name).copied().unwrap_or(*value);
            }
            Some(Known { preview: released.preview, settings, bands })
        };
        Self {
            version: release.version.clone(),
            checks: CHECKS.iter().map(known).collect(),
            profiles: release.profiles.clone(),
            read: release.profiles.keys().map(|name| (name.clone(), OnceLock::new())).collect(),
        }
    }
}
