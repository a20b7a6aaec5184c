//! What a submission is judged by and does not bring along: stored profiles, reference skeletons, the production's policy.

use std::collections::BTreeMap;
use std::sync::Arc;

use condyle_api::Policy;
use condyle_core::check::{Catalogue, Profile, Waiver, builtin_names};
use condyle_core::intake::{self, Bundle, Intake, Limits, Upload};
use condyle_core::model::nearest;

use super::submit::sound;
use crate::blobs::Blobs;
use crate::problem::ApiError;
use crate::state::App;
use crate::store::Named;
use crate::submission::File;

/// Read once per request.
#[derive(Debug, Clone)]
pub struct Shelf {
    named: Arc<Named>,
    blobs: Blobs,
    /// The version of the catalogue that profiles are read over.
    catalogue: &'static Catalogue,
    /// The production's policy; the default where there is no production.
    pub policy: Policy,
    /// The production's waivers.
    pub waivers: Vec<Waiver>,
}

impl Shelf {
    /// Reads it, with the policy of a production.
    pub async fn open(app: &App, production: Option<&str>) -> Result<Self, ApiError> {
        let policy = match production {
            Some(production) => policy(app, production).await?,
            None => Policy::default(),
        };
        let waivers = match production {
            Some(production) => super::waivers::waivers(app, production).await?.0,
            None => Vec::new(),
        };
        let (named, blobs) = (app.store.named().await?, app.blobs.clone());
        Ok(Self { named, blobs, catalogue: Catalogue::current(), policy, waivers })
    }

    /// The same over the version of the catalogue that the production agreed on, else over the one that is asked for,
    /// else over the newest.
    pub fn pinned(&self, asked: Option<&str>) -> Result<Self, ApiError> {
        let catalogue = match self.policy.catalogue.as_deref().or(asked) {
            Some(version) => catalogue(version, None)?,
            None => Catalogue::current(),
        };
        Ok(Self { catalogue, ..self.clone() })
    }

    /// The version of the catalogue that profiles are read over.
    pub fn catalogue(&self) -> &'static Catalogue {
        self.catalogue
    }

    /// Texts of the stored profiles.
    pub fn profiles(&self) -> &BTreeMap<String, String> {
        &self.named.profiles
    }

    /// Reads a profile's text, which may extend a stored one.
    pub fn read(&self, text: &str) -> Result<Profile, ApiError> {
        Profile::read_under(text, &self.named.profiles, self.catalogue).map_err(ApiError::Profile)
    }

    /// A built-in or a stored profile.
    pub fn profile(&self, name: &str, pointer: Option<&'static str>) -> Result<Profile, ApiError> {
        if let Some(profile) = Profile::builtin_under(name, self.catalogue) {
            return Ok(profile);
        }
        match self.named.profiles.get(name) {
            Some(text) => self.read(text),
            None => {
                let known: Vec<&str> = builtin_names().collect();
                let near =
                    nearest(name, known.into_iter().chain(self.named.profiles.keys().map(String::as_str)));
                let suggestion = near.map(str::to_owned);
                Err(ApiError::UnknownProfile { name: name.to_owned(), pointer, suggestion })
            }
        }
    }

    /// The reference skeleton: what the request brings, else what the profile names and the store has.
    pub fn reference(
        &self,
        brought: Option<&File>,
        profile: &Profile,
        limits: &Limits,
    ) -> Result<Option<Intake>, ApiError> {
        let (name, bytes) = match (brought, &profile.reference_skeleton) {
            (Some(file), _) => (file.name.clone(), file.bytes.to_vec()),
            (None, Some(named)) => {
                let Some(stored) = self.named.references.get(named) else { return Ok(None) };
                let bytes = self.blobs.get(&stored.sha256)?;
                (
                    stored.file.clone(),
                    bytes.ok_or_else(|| ApiError::Internal("a reference's blob is gone".into()))?,
                )
            }
            (None, None) => return Ok(None),
        };
        let model = Some(Upload { name: &name, bytes: &bytes });
        Ok(Some(intake::read(&Bundle { model, ..Bundle::default() }, limits)?))
    }
}

/// A released version of the catalogue.
pub fn catalogue(version: &str, pointer: Option<&'static str>) -> Result<&'static Catalogue, ApiError> {
    Catalogue::find(version).map_err(|unknown| ApiError::UnknownCatalogue {
        version: unknown.version,
        pointer,
        suggestion: unknown.suggestion,
    })
}

/// Refuses a policy that no production can have; its profile and its version of the catalogue must be there.
pub async fn agreeable(app: &App, policy: &Policy) -> Result<(), ApiError> {
    if let Some(version) = &policy.catalogue {
        catalogue(version, Some("/catalogue"))?;
    }
    if let Some(name) = &policy.profile {
        let shelf = Shelf::open(app, None).await?.pinned(policy.catalogue.as_deref())?;
        shelf.profile(name, Some("/profile"))?;
    }
    if let Some(label) = &policy.baseline {
        sound("baseline", label)?;
    }
    if let Some(rule) = policy.retention {
        let set = [rule.keep_last, rule.keep_days];
        if set == [None, None] || set.contains(&Some(0)) {
            let text = "retention sets keep_last or keep_days, each at least 1";
            return Err(ApiError::InvalidRequest(text.into()));
        }
    }
    Ok(())
}

/// A production's policy; the default where none was stored.
pub async fn policy(app: &App, production: &str) -> Result<Policy, ApiError> {
    match app.store.policy(production).await? {
        Some(body) => serde_json::from_str(&body).map_err(|error| ApiError::Internal(error.to_string())),
        None => Ok(Policy::default()),
    }
}
