//! `/v1/profiles`.

pub mod get;
pub mod list;
pub mod past;
pub mod put;

use condyle_api::ProfileEntry;
use condyle_core::check::Profile;

/// The wire form of a profile.
pub fn entry(profile: &Profile, with_text: bool) -> ProfileEntry {
    ProfileEntry {
        name: profile.name.clone(),
        about: profile.about.clone(),
        extends: profile.extends.clone(),
        digest: profile.reference().digest,
        text: with_text.then(|| profile.text.clone()),
    }
}
