//! Profiles: what a person may write ([`Profile`] text), merged over what it extends, resolved to settings without gaps.

use std::collections::BTreeMap;

mod error;
mod naming;
mod options;
mod overrides;

use sha2::{Digest, Sha256};

pub use error::ProfileError;
pub use naming::{NamePattern, Naming};
pub use options::Options as ProfileFile;
pub use overrides::Override;

use super::catalogue::Catalogue;
use super::registry::CHECKS;
use super::{Bound, Descriptor};
use crate::bind::{Asked, KEPT, MOST_KEPT};
use crate::report::{ProfileRef, Severity};
use crate::sweep::Blend;
use error::step;
use options::{CheckOptions, Options, OverrideOptions};

/// Profiles that a profile can stand on, one over the other.
const DEEPEST: usize = 8;
/// Overrides of one profile; a check is run once more for each that speaks of it.
const MOST_OVERRIDES: usize = 16;

/// Answers to the suggester's questions in one profile.
const MOST_CONVENTIONS: usize = 64;
/// Bytes of a question's id or of an answer.
const LONGEST_ANSWER: usize = 256;

/// Built-in profiles, as reviewed files.
pub(super) const BUILTIN: &[(&str, &str)] = &[
    ("avatar", include_str!("profiles/avatar.toml")),
    ("film", include_str!("profiles/film.toml")),
    ("h-anim", include_str!("profiles/h_anim.toml")),
    ("h-anim-2", include_str!("profiles/h_anim_2.toml")),
    ("h-anim-3", include_str!("profiles/h_anim_3.toml")),
    ("h-anim-4", include_str!("profiles/h_anim_4.toml")),
    ("handheld", include_str!("profiles/handheld.toml")),
    ("human", include_str!("profiles/human.toml")),
    ("realtime", include_str!("profiles/realtime.toml")),
    ("strict", include_str!("profiles/strict.toml")),
];

/// The names of the built-in profiles, sorted.
pub fn builtin_names() -> impl Iterator<Item = &'static str> {
    BUILTIN.iter().map(|(name, _)| *name)
}

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
    pub(super) values: Vec<(&'static str, f64)>,
}

impl CheckSettings {
    pub(super) fn defaults(check: &Descriptor) -> Self {
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

    /// Follows a change of what these settings were set apart from; what they have of their own stays.
    fn follow(&mut self, before: &Self, now: &Self) {
        if self.enabled == before.enabled {
            self.enabled = now.enabled;
        }
        for (mine, (old, new)) in self.bands.iter_mut().zip(before.bands.iter().zip(&now.bands)) {
            if mine.limit == old.limit {
                mine.limit = new.limit;
            }
            if mine.severity == old.severity {
                mine.severity = new.severity;
            }
        }
        for (mine, (old, new)) in self.values.iter_mut().zip(before.values.iter().zip(&now.values)) {
            if mine.1 == old.1 {
                mine.1 = new.1;
            }
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
    /// The text it was written as (TOML, or JSON).
    pub text: String,
    /// The reference skeleton that it names.
    pub reference_skeleton: Option<String>,
    /// Whether the pose sweep runs where the request does not say.
    pub sweep: bool,
    /// How the target blends the motions of joints: the sweep skins likewise.
    pub blend: Blend,
    /// Answers to the questions of the suggester of parents, by their ids.
    pub conventions: BTreeMap<String, String>,
    /// What it asks of names.
    pub naming: Naming,
    /// The version of the catalogue that it departs from.
    catalogue: &'static Catalogue,
    /// One per check of the registry, in its order.
    settings: Vec<CheckSettings>,
    overrides: Vec<Override>,
    digest: String,
}

impl Profile {
    /// Whether it judges by what people can do: where clips are held against published ranges, poses are, too.
    pub fn judges_people(&self) -> bool {
        let at = CHECKS.iter().position(|check| check.id == "clips/range");
        at.is_some_and(|at| {
            let settings = self.settings(at);
            settings.enabled && settings.bands.iter().any(|band| band.severity.is_some())
        })
    }

    /// How a forecast is made for it: with as many influences per vertex as its target reads.
    pub fn trial_bind(&self) -> Asked {
        let at = CHECKS.iter().position(|check| check.id == "budget/influences");
        let band =
            |at: usize| CHECKS[at].bands.iter().position(|band| band.name == "most").map(|band| (at, band));
        let most = at.and_then(band).map(|(at, band)| self.settings(at).bands[band].limit);
        let influences = most.map_or(KEPT, |most| (most as usize).clamp(1, MOST_KEPT));
        Asked { influences, ..Asked::default() }
    }

    /// A built-in profile.
    pub fn builtin(name: &str) -> Option<Self> {
        Self::builtin_under(name, Catalogue::current())
    }

    /// A built-in profile as it was with a version of the catalogue.
    pub fn builtin_under(name: &str, catalogue: &'static Catalogue) -> Option<Self> {
        catalogue.builtin(name)
    }

    /// The version of the catalogue that it departs from, and that a run with it is judged by.
    pub fn catalogue(&self) -> &'static Catalogue {
        self.catalogue
    }

    /// The profile used when nothing else is asked for.
    pub fn realtime() -> Self {
        Self::realtime_under(Catalogue::current())
    }

    /// The same as it was with a version of the catalogue.
    pub fn realtime_under(catalogue: &'static Catalogue) -> Self {
        Self::builtin_under("realtime", catalogue).unwrap_or_else(|| Self::bare("realtime", catalogue))
    }

    /// The catalogue's defaults under a name.
    fn bare(name: &str, catalogue: &'static Catalogue) -> Self {
        let checks = CHECKS.iter().enumerate();
        let settings = checks.map(|(index, check)| catalogue.defaults(index, check)).collect();
        let mut profile = Self {
            name: name.into(),
            about: String::new(),
            extends: None,
            text: String::new(),
            reference_skeleton: None,
            sweep: false,
            blend: Blend::Linear,
            conventions: BTreeMap::new(),
            naming: Naming::default(),
            catalogue,
            settings,
            overrides: Vec::new(),
            digest: String::new(),
        };
        profile.digest = profile.compute_digest();
        profile
    }

    /// Reads a profile: TOML, or the same as JSON. It may extend a built-in one.
    ///
    /// # Errors
    /// The first mistake, by its key.
    pub fn read(text: &str) -> Result<Self, ProfileError> {
        Self::read_over(text, &BTreeMap::new())
    }

    /// Reads a profile that may extend a built-in one or one of `stored` (texts by name).
    ///
    /// # Errors
    /// The first mistake, by its key.
    pub fn read_over(text: &str, stored: &BTreeMap<String, String>) -> Result<Self, ProfileError> {
        Self::read_under(text, stored, Catalogue::current())
    }

    /// The same over a version of the catalogue and the built-in profiles of its time. What the version has not stays
    /// off, whatever the text says.
    ///
    /// # Errors
    /// The first mistake, by its key.
    pub fn read_under(
        text: &str,
        stored: &BTreeMap<String, String>,
        catalogue: &'static Catalogue,
    ) -> Result<Self, ProfileError> {
        let mut layers = vec![parse(text)?];
        while let Some(base) = layers.last().and_then(|top| top.extends.clone()) {
            if layers.len() > DEEPEST {
                let message = format!("stands on more than {DEEPEST} others, or on itself");
                return Err(ProfileError::at("extends", message));
            }
            let builtin = catalogue.profiles();
            let Some(below) = builtin.get(&base).or_else(|| stored.get(&base)) else {
                let known: Vec<&str> = builtin.keys().map(String::as_str).collect();
                let stored = stored.keys().map(String::as_str);
                return Err(ProfileError::unknown("extends", "profile", &base, stored.chain(known)));
            };
            let options = parse(below).map_err(|error| {
                ProfileError::at("extends", format!("the profile {base} cannot be read: {error}"))
            })?;
            layers.push(options);
        }
        let mut profile = Self::bare("", catalogue);
        let depth = layers.len();
        for (number, options) in layers.iter().rev().enumerate() {
            profile.lay(options).map_err(|error| {
                let below = number + 1 < depth;
                if !below {
                    return error;
                }
                ProfileError::at("extends", format!("the profile {} has a mistake: {error}", options.name))
            })?;
        }
        text.clone_into(&mut profile.text);
        profile.leave_out_what_came_later();
        profile.digest = profile.compute_digest();
        Ok(profile)
    }

    /// Bands that the version of the catalogue has not are off.
    fn leave_out_what_came_later(&mut self) {
        let catalogue = self.catalogue;
        let whole = self.settings.iter_mut().enumerate();
        let apart = self.overrides.iter_mut().map(|one| (one.check, &mut one.settings));
        for (index, settings) in whole.chain(apart) {
            for (number, band) in settings.bands.iter_mut().enumerate() {
                if !catalogue.has_band(index, number) {
                    band.severity = None;
                }
            }
        }
    }

    /// The name that a profile's text gives itself, if it can be read at all.
    pub fn name_of(text: &str) -> Option<String> {
        parse(text).ok().map(|options| options.name)
    }

    /// Lays one file over what is there.
    fn lay(&mut self, options: &Options) -> Result<(), ProfileError> {
        self.name.clone_from(&options.name);
        self.about.clone_from(&options.about);
        self.extends.clone_from(&options.extends);
        if options.reference.is_some() {
            self.reference_skeleton.clone_from(&options.reference);
        }
        self.sweep = options.sweep.unwrap_or(self.sweep);
        self.blend = options.skinning.map_or(self.blend, Blend::from);
        if let Some(conventions) = &options.conventions {
            self.agree(conventions)?;
        }
        if let Some(naming) = &options.naming {
            self.naming.apply(naming)?;
        }
        for (id, check) in &options.checks {
            let key = format!("checks.{}", step(id));
            said(check.reason.as_deref(), &format!("{key}.reason"))?;
            let index = check_at(id, &key)?;
            let before = self.settings[index].clone();
            change(&mut self.settings[index], CHECKS[index], check, &key)?;
            // What is laid over the whole check later does not reach the joints that were set apart earlier, save for
            // numbers those did not touch; so it is laid over them, and their own changes stay.
            for one in self.overrides.iter_mut().filter(|one| one.check == index) {
                one.settings.follow(&before, &self.settings[index]);
            }
        }
        for (number, one) in options.overrides.iter().enumerate() {
            self.set_apart(number, one)?;
        }
        if self.overrides.len() > MOST_OVERRIDES * CHECKS.len() {
            return Err(ProfileError::at("overrides", "too many, with those of the profiles below"));
        }
        Ok(())
    }

    fn agree(&mut self, conventions: &BTreeMap<String, String>) -> Result<(), ProfileError> {
        for (id, answer) in conventions {
            for text in [id, answer] {
                if text.is_empty() || text.len() > LONGEST_ANSWER {
                    let message = format!("must have 1 to {LONGEST_ANSWER} bytes");
                    return Err(ProfileError::at(format!("conventions.{}", step(id)), message));
                }
            }
            self.conventions.insert(id.clone(), answer.clone());
        }
        if self.conventions.len() > MOST_CONVENTIONS {
            let message = format!("more than {MOST_CONVENTIONS}, with those of the profiles below");
            return Err(ProfileError::at("conventions", message));
        }
        Ok(())
    }

    fn set_apart(&mut self, number: usize, options: &OverrideOptions) -> Result<(), ProfileError> {
        let at = format!("overrides[{number}]");
        if number >= MOST_OVERRIDES {
            return Err(ProfileError::at(at, format!("more than {MOST_OVERRIDES} overrides")));
        }
        said(Some(&options.reason), &format!("{at}.reason"))?;
        if options.joints.is_none() && options.parts.is_none() {
            return Err(ProfileError::at(format!("{at}.joints"), "say which: joints, or parts, or both"));
        }
        let key = |name: &str| format!("{at}.{name}");
        let whose = naming::joints(options.joints.as_deref(), options.parts.as_deref(), &key)?;
        for (id, check) in &options.checks {
            let key = format!("{at}.checks.{}", step(id));
            let index = check_at(id, &key)?;
            let mut settings = self.settings[index].clone();
            change(&mut settings, CHECKS[index], check, &key)?;
            self.overrides.push(Override { whose: whose.clone(), check: index, settings });
        }
        Ok(())
    }

    /// The overrides that speak of the `index`-th check of the registry, in order.
    pub fn overrides_of(&self, index: usize) -> impl Iterator<Item = &Override> {
        self.overrides.iter().filter(move |one| one.check == index)
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
        // What a version of the catalogue has not is not counted: pinned to it, a profile keeps the digest of that time.
        let mut add = |index: usize, settings: &CheckSettings| {
            let check = CHECKS[index];
            if !self.catalogue.has(index) {
                return;
            }
            hash.update(format!("{} {}\n", check.id, settings.enabled));
            for (number, (band, now)) in check.bands.iter().zip(&settings.bands).enumerate() {
                if self.catalogue.has_band(index, number) {
                    hash.update(format!("{} {} {:?}\n", band.name, now.limit, now.severity));
                }
            }
            for (name, value) in &settings.values {
                hash.update(format!("{name} {value}\n"));
            }
        };
        for (index, settings) in self.settings.iter().enumerate() {
            add(index, settings);
        }
        for one in &self.overrides {
            add(one.check, &one.settings);
        }
        // Only what is said counts: a profile that says no more than before keeps its digest.
        for one in &self.overrides {
            hash.update(format!(
                "{} {}\n",
                naming::glob(one.whose.joints.as_ref()),
                naming::glob(one.whose.parts.as_ref())
            ));
        }
        if let Some(reference) = &self.reference_skeleton {
            hash.update(format!("reference {reference}\n"));
        }
        if self.sweep {
            hash.update("sweep\n");
        }
        if self.blend == Blend::DualQuaternion {
            hash.update("dual quaternions\n");
        }
        for (id, answer) in &self.conventions {
            hash.update(format!("convention {id:?} {answer:?}\n"));
        }
        if !self.naming.is_empty() {
            hash.update(self.naming.summary());
        }
        format!("sha256:{}", hex(&hash.finalize()))
    }
}

/// Reads the text of one file.
fn parse(text: &str) -> Result<Options, ProfileError> {
    let shape = |error: serde_path_to_error::Error<serde_json::Error>| {
        ProfileError::shape(error.path(), &error.inner().to_string())
    };
    let document: serde_json::Value = if text.trim_start().starts_with('{') {
        serde_json::from_str(text).map_err(|error| {
            let line_start: usize =
                text.split_inclusive('\n').take(error.line().saturating_sub(1)).map(str::len).sum();
            let message = error.to_string();
            let message = message.split(" at line ").next().unwrap_or_default().to_owned();
            ProfileError::unreadable(text, line_start + error.column().saturating_sub(1), &message)
        })?
    } else {
        let document = toml::from_str(text).map_err(|error: toml::de::Error| {
            ProfileError::unreadable(text, error.span().map_or(0, |span| span.start), error.message())
        })?;
        // TOML has numbers that JSON has not, and no null: those became it.
        match null_at(&document, String::new()) {
            Some(key) => return Err(ProfileError::at(key, "must be a finite number")),
            None => document,
        }
    };
    let options: Options = serde_path_to_error::deserialize(&document).map_err(shape)?;
    if options.profile != "condyle.profile/1" {
        return Err(ProfileError::at("profile", "must be \"condyle.profile/1\""));
    }
    if !sound(&options.name) {
        let message = "must be 1 to 64 of a-z 0-9 . _ - and begin with a letter or digit";
        return Err(ProfileError::at("name", message));
    }
    Ok(options)
}

/// The key of the first null.
fn null_at(document: &serde_json::Value, key: String) -> Option<String> {
    let dot = if key.is_empty() { "" } else { "." };
    match document {
        serde_json::Value::Null => Some(key),
        serde_json::Value::Object(map) => {
            map.iter().find_map(|(name, value)| null_at(value, format!("{key}{dot}{}", step(name))))
        }
        serde_json::Value::Array(list) => {
            list.iter().enumerate().find_map(|(index, value)| null_at(value, format!("{key}[{index}]")))
        }
        _ => None,
    }
}

/// Whether a profile can have the name: it becomes part of URLs and of file names.
fn sound(name: &str) -> bool {
    let letter = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit();
    (1..=64).contains(&name.len())
        && name.bytes().next().is_some_and(letter)
        && name.bytes().all(|b| letter(b) || matches!(b, b'.' | b'_' | b'-'))
}

/// Refuses a reason that says nothing.
fn said(reason: Option<&str>, key: &str) -> Result<(), ProfileError> {
    match reason.map(str::trim) {
        None => Err(ProfileError::at(key, "is missing")),
        Some("") => Err(ProfileError::at(key, "must say why")),
        Some(_) => Ok(()),
    }
}

fn check_at(id: &str, key: &str) -> Result<usize, ProfileError> {
    CHECKS
        .iter()
        .position(|check| check.id == id)
        .ok_or_else(|| ProfileError::unknown(key, "check", id, CHECKS.iter().map(|check| check.id)))
}

/// Applies what is written about one check.
fn change(
    settings: &mut CheckSettings,
    check: &Descriptor,
    options: &CheckOptions,
    key: &str,
) -> Result<(), ProfileError> {
    let finite = |value: f64, key: &str| {
        if value.is_finite() { Ok(value) } else { Err(ProfileError::at(key, "must be a finite number")) }
    };
    settings.enabled = options.enabled.unwrap_or(settings.enabled);
    for (name, band) in &options.bands {
        let key = format!("{key}.bands.{}", step(name));
        let Some(at) = check.bands.iter().position(|b| b.name == name) else {
            return Err(ProfileError::unknown(key, "band", name, check.bands.iter().map(|b| b.name)));
        };
        if let Some(limit) = band.limit {
            let key = format!("{key}.limit");
            if check.bands[at].bound == Bound::Fact {
                return Err(ProfileError::at(key, "this band has no limit"));
            }
            settings.bands[at].limit = finite(limit, &key)?;
        }
        if let Some(severity) = band.severity {
            settings.bands[at].severity = severity.into();
        }
    }
    for (name, value) in &options.settings {
        let key = format!("{key}.settings.{}", step(name));
        let Some(at) = check.settings.iter().position(|s| s.name == name) else {
            return Err(ProfileError::unknown(key, "setting", name, check.settings.iter().map(|s| s.name)));
        };
        settings.values[at].1 = finite(*value, &key)?;
    }
    Ok(())
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

    /// A studio's own profile over `film`.
    const STUDIO: &str = r#"
profile = "condyle.profile/1"
name = "tidepool"
about = "Tidepool Post"
extends = "film"
reference = "mail-carrier"

[naming]
reason = "names go through a shell"
allowed = "[a-z0-9_]"
longest = 24
[[naming.patterns]]
parts = "feeler"
regex = "stalk_[0-9]+_[lr]"
reason = "two eyestalks, counted from the shell"
[[naming.patterns]]
role = "carrying"
glob = "*_hook"
reason = "what only carries is called a hook"

[[overrides]]
joints = "claw_*"
reason = "the big claw is the joke"
checks."placement/mirror-drift".enabled = false
[[overrides]]
parts = "feeler"
reason = "soft limbs are turned by simulation"
[overrides.checks."orientation/twist-drift"]
bands.drift.limit = 25.0
bands.drift.severity = "note"
"#;

    fn wrong(text: &str) -> (String, String) {
        let error = Profile::read(text).unwrap_err();
        (error.key, error.message)
    }

    #[test]
    fn a_studios_own_profile_stands_on_a_builtin_one() {
        let (mine, film) = (Profile::read(STUDIO).unwrap(), Profile::builtin("film").unwrap());
        let at = |id: &str| CHECKS.iter().position(|check| check.id == id).unwrap();
        let twist = at("orientation/twist-drift");
        assert_eq!(mine.settings(twist), film.settings(twist));
        let apart: Vec<_> = mine.overrides_of(twist).map(|one| one.settings.bands[0]).collect();
        assert_eq!(apart, [BandSettings { limit: 25.0, severity: Some(Severity::Note) }]);
        assert_eq!(mine.reference_skeleton.as_deref(), Some("mail-carrier"));
        assert_eq!(mine.naming.forbidden("claw_3"), None);
        assert_eq!(mine.naming.forbidden("Claw"), Some('C'));
        assert_ne!(mine.reference().digest, film.reference().digest);
    }

    #[test]
    fn a_profile_stands_on_a_stored_one_but_never_on_itself() {
        let top = "profile = \"condyle.profile/1\"\nname = \"shot\"\nabout = \"a shot\"\nextends = \"tidepool\"\n\
                   [checks.\"orientation/twist-drift\"]\nreason = \"close\"\nbands.drift.limit = 3\n";
        let mut stored = BTreeMap::from([("tidepool".to_owned(), STUDIO.to_owned())]);
        let shot = Profile::read_over(top, &stored).unwrap();
        let twist = CHECKS.iter().position(|check| check.id == "orientation/twist-drift").unwrap();
        assert_eq!(shot.settings(twist).bands[0].limit, 3.0);
        // The soft limbs keep the limit they were given.
        assert_eq!(shot.overrides_of(twist).next().unwrap().settings.bands[0].limit, 25.0);
        stored.insert("tidepool".into(), STUDIO.replace("\"film\"", "\"tidepool\""));
        let error = Profile::read_over(top, &stored).unwrap_err();
        assert_eq!(error.key, "extends");
        assert!(error.message.contains("on itself"), "{error}");
        let error = Profile::read_over(&top.replace("\"tidepool\"", "\"tidepol\""), &stored).unwrap_err();
        assert_eq!(error.message, "no profile is called tidepol (did you mean tidepool?)");
    }

    #[test]
    fn a_mistake_names_the_key_and_the_right_spelling() {
        let head = "profile = \"condyle.profile/1\"\nname = \"x\"\nabout = \"\"\n";
        for (rest, key, message) in [
            (
                "[checks.\"skin/sun\"]\nreason = \"r\"",
                "checks.\"skin/sun\"",
                "no check is called skin/sun (did you mean skin/sum?)",
            ),
            ("[checks.\"skin/sum\"]\nreason = \" \"", "checks.\"skin/sum\".reason", "must say why"),
            ("[checks.\"skin/sum\"]", "checks.\"skin/sum\".reason", "is missing"),
            (
                "[checks.\"skin/sum\"]\nreason = \"r\"\nbands.intejer.limit = 1",
                "checks.\"skin/sum\".bands.intejer",
                "no band is called intejer (did you mean integer?)",
            ),
            (
                "[checks.\"skin/sum\"]\nreason = \"r\"\nbands.integer.limt = 1",
                "checks.\"skin/sum\".bands.integer.limt",
                "there is no such key (did you mean limit?)",
            ),
            (
                "[checks.\"skin/sum\"]\nreason = \"r\"\nbands.float-note.limit = 1",
                "checks.\"skin/sum\".bands.float-note.limit",
                "this band has no limit",
            ),
            (
                "[checks.\"skin/sum\"]\nreason = \"r\"\nbands.integer.limit = nan",
                "checks.\"skin/sum\".bands.integer.limit",
                "must be a finite number",
            ),
            (
                "[checks.\"skin/sum\"]\nreason = \"r\"\nbands.integer.severity = \"eror\"",
                "checks.\"skin/sum\".bands.integer.severity",
                "eror is none of error, warning, note, off (did you mean error?)",
            ),
            ("extends = \"flim\"", "extends", "no profile is called flim (did you mean film?)"),
            ("nmaing = 1", "nmaing", "there is no such key (did you mean naming?)"),
            (
                "[[overrides]]\nreason = \"r\"\nchecks = {}",
                "overrides[0].joints",
                "say which: joints, or parts, or both",
            ),
            (
                "[[overrides]]\njoints = \"a\"\nreason = \"r\"\n[overrides.checks.\"skin/sun\"]",
                "overrides[0].checks.\"skin/sun\"",
                "no check is called skin/sun (did you mean skin/sum?)",
            ),
            (
                "[naming]\nreason = \"r\"\nallowed = \"[a-z\"",
                "naming.allowed",
                "no regular expression: unclosed character class",
            ),
            (
                "[[naming.patterns]]\nreason = \"r\"\njoints = \"a\"\n[naming]\nreason = \"\"",
                "naming.reason",
                "must say why",
            ),
        ] {
            assert_eq!(wrong(&format!("{head}{rest}\n")), (key.to_owned(), message.to_owned()), "{rest}");
        }
    }

    #[test]
    fn a_text_that_cannot_be_parsed_is_told_with_its_line_and_column() {
        let (key, message) = wrong("profile = \"condyle.profile/1\"\nname = x\n");
        assert_eq!(key, "");
        assert!(message.starts_with("line 2, column 8: "), "{message}");
        let (key, message) = wrong("{\"profile\": \"condyle.profile/1\",\n \"name\" \"x\"}");
        assert_eq!(key, "");
        assert!(message.starts_with("line 2, column 9: "), "{message}");
    }

    /// A departure without a reason cannot be read, so what is tested is that no text gets round it.
    #[test]
    fn every_value_of_a_builtin_profile_has_its_reason() {
        for (name, text) in BUILTIN {
            let options = parse(text).unwrap();
            assert!(options.about.len() > 10, "{name}: say what it is for");
            let whole = options.checks.values().map(|check| check.reason.clone());
            let apart = options.overrides.iter().map(|one| Some(one.reason.clone()));
            let names = options.naming.iter().map(|naming| Some(naming.reason.clone()));
            for reason in whole.chain(apart).chain(names) {
                let reason = reason.unwrap_or_default();
                assert!(reason.split_whitespace().count() >= 4, "{name}: {reason:?} says too little");
            }
        }
    }
}
