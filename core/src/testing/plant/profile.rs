//! The profiles that the bench judges by.

use std::sync::OnceLock;

use super::Planter;
use crate::check::{Descriptor, Profile};

/// What no profile for general use turns on. Limits are such that the demo characters and small models keep them.
const TURNED_ON: &str = r#"
profile = "condyle.profile/1"
name = "turned-on"
about = "what is off by default, for the seeded-fault bench"
extends = "realtime"

[checks."budget/bytes"]
reason = "the bench's characters are small"
bands.most = { limit = 2000000, severity = "warning" }

[checks."budget/influences"]
reason = "glTF 2.0 section 3.7.3.3 asks clients for one set of four only"
bands.most = { limit = 4, severity = "warning" }

[checks."budget/joints"]
reason = "common practice for a leading character on a desk"
bands.most = { limit = 100, severity = "warning" }

[checks."budget/palette"]
reason = "OpenGL ES 3.0: at least 256 uniform vectors hold 64 matrices"
bands.most = { limit = 64, severity = "warning" }

[checks."budget/vertices"]
reason = "the bench's characters are small"
bands.most = { limit = 20000, severity = "warning" }

[checks."clips/range"]
reason = "the bench's people are people"
bands.flexion.severity = "warning"

[checks."structure/doubtful-parent"]
reason = "asked for where skeletons are made by many hands"
bands.doubtful.severity = "warning"
"#;

/// The profile that a planter's fault is a fault by.
pub(super) fn profile_of(planter: &Planter, check: &Descriptor) -> &'static str {
    match planter.check {
        "naming/standard" if planter.band == Some("h-anim") => "h-anim",
        "naming/standard" => "avatar",
        "placement/proportion" => "human",
        _ if check.bands.iter().all(|band| band.severity.is_none()) => "turned-on",
        _ => "realtime",
    }
}

/// One of them by name.
pub(super) fn profile(name: &'static str) -> &'static Profile {
    static PROFILES: [OnceLock<Profile>; 5] = [const { OnceLock::new() }; 5];
    let (place, read): (usize, fn() -> Option<Profile>) = match name {
        "avatar" => (0, || Profile::builtin("avatar")),
        "h-anim" => (1, || Profile::builtin("h-anim")),
        "human" => (2, || Profile::builtin("human")),
        "turned-on" => (3, || Profile::read(TURNED_ON).ok()),
        _ => (4, || None),
    };
    PROFILES[place].get_or_init(|| read().unwrap_or_else(Profile::realtime))
}

#[cfg(test)]
mod tests {
    use super::profile;

    #[test]
    fn every_profile_can_be_read() {
        for name in ["avatar", "h-anim", "human", "turned-on", "realtime"] {
            assert_eq!(profile(name).name, name);
        }
    }
}
