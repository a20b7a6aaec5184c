//! What a profile asks of names.

use regex::{Regex, RegexBuilder};
use wildmatch::WildMatch;

use super::error::ProfileError;
use super::options::{NamingOptions, PatternOptions, RoleOption};
use super::overrides::Joints;
use crate::model::{JointId, Rig, Role};

/// Patterns of one profile.
const MOST: usize = 64;
/// Bytes of a pattern.
const LONGEST: usize = 512;
/// Bytes of a compiled expression.
const COMPILED: usize = 1 << 18;

/// What a profile asks of names; by default nothing.
#[derive(Debug, Clone, Default)]
pub struct Naming {
    allowed: Option<Regex>,
    longest: Option<u32>,
    patterns: Vec<NamePattern>,
}

/// What the names of some joints must look like.
#[derive(Debug, Clone)]
pub struct NamePattern {
    whose: Joints,
    role: Option<Role>,
    glob: Option<WildMatch>,
    regex: Option<Regex>,
    /// What is asked for, as written.
    pub wanted: String,
    /// Why.
    pub reason: String,
}

impl Naming {
    /// Whether anything is asked.
    pub fn is_empty(&self) -> bool {
        self.allowed.is_none() && self.longest.is_none() && self.patterns.is_empty()
    }

    /// The first character of a name that is not allowed.
    pub fn forbidden(&self, name: &str) -> Option<char> {
        let allowed = self.allowed.as_ref()?;
        let mut buffer = [0; 4];
        name.chars().find(|letter| !allowed.is_match(letter.encode_utf8(&mut buffer)))
    }

    /// Characters that a name has at most.
    pub fn longest(&self) -> Option<u32> {
        self.longest
    }

    /// The first pattern that is about a joint and that its name does not match.
    pub fn broken(&self, rig: &Rig, joint: JointId) -> Option<&NamePattern> {
        let this = rig.joints.get(joint.index())?;
        let name = this.name.as_deref().unwrap_or_default();
        self.patterns.iter().find(|pattern| {
            pattern.whose.mean(rig, joint)
                && pattern.role.is_none_or(|role| this.role == Some(role))
                && !(pattern.glob.as_ref().is_none_or(|glob| glob.matches(name))
                    && pattern.regex.as_ref().is_none_or(|regex| regex.is_match(name)))
        })
    }

    pub(super) fn apply(&mut self, options: &NamingOptions) -> Result<(), ProfileError> {
        if options.reason.trim().is_empty() {
            return Err(ProfileError::at("naming.reason", "must say why"));
        }
        if let Some(allowed) = &options.allowed {
            self.allowed = Some(expression("naming.allowed", allowed)?);
        }
        self.longest = options.longest.or(self.longest);
        if self.longest == Some(0) {
            return Err(ProfileError::at("naming.longest", "must be at least 1"));
        }
        if let Some(patterns) = &options.patterns {
            if patterns.len() > MOST {
                return Err(ProfileError::at("naming.patterns", format!("more than {MOST} patterns")));
            }
            let read = patterns.iter().enumerate().map(|(index, one)| pattern(index, one));
            self.patterns = read.collect::<Result<_, _>>()?;
        }
        Ok(())
    }

    /// What it asks, in one text, for the profile's digest.
    pub(super) fn summary(&self) -> String {
        let allowed = self.allowed.as_ref().map_or("", Regex::as_str);
        let patterns: Vec<String> = self
            .patterns
            .iter()
            .map(|one| {
                format!(
                    "{} {} {:?} {}",
                    glob(one.whose.joints.as_ref()),
                    glob(one.whose.parts.as_ref()),
                    one.role,
                    one.wanted
                )
            })
            .collect();
        format!("{allowed}\n{:?}\n{}", self.longest, patterns.join("\n"))
    }
}

fn pattern(index: usize, options: &PatternOptions) -> Result<NamePattern, ProfileError> {
    let key = |name: &str| format!("naming.patterns[{index}].{name}");
    if options.reason.trim().is_empty() {
        return Err(ProfileError::at(key("reason"), "must say why"));
    }
    let wanted = match (&options.glob, &options.regex) {
        (Some(glob), None) => glob.clone(),
        (None, Some(regex)) => regex.clone(),
        (Some(glob), Some(regex)) => format!("{glob} and {regex}"),
        (None, None) => {
            return Err(ProfileError::at(key("glob"), "say what names must match: a glob, or a regex"));
        }
    };
    Ok(NamePattern {
        whose: joints(options.joints.as_deref(), options.parts.as_deref(), &key)?,
        role: options.role.map(|role| match role {
            RoleOption::Deforming => Role::Deforming,
            RoleOption::Carrying => Role::Carrying,
            RoleOption::Control => Role::Control,
        }),
        glob: options.glob.as_deref().map(|text| globbed(&key("glob"), text)).transpose()?,
        regex: options.regex.as_deref().map(|text| expression(&key("regex"), text)).transpose()?,
        wanted,
        reason: options.reason.clone(),
    })
}

/// Reads the globs that say which joints are meant.
pub(super) fn joints(
    joints: Option<&str>,
    parts: Option<&str>,
    key: &dyn Fn(&str) -> String,
) -> Result<Joints, ProfileError> {
    Ok(Joints {
        joints: joints.map(|text| globbed(&key("joints"), text)).transpose()?,
        parts: parts.map(|text| globbed(&key("parts"), text)).transpose()?,
    })
}

/// A glob as written, or nothing.
pub(super) fn glob(glob: Option<&WildMatch>) -> String {
    glob.map_or_else(String::new, ToString::to_string)
}

fn globbed(key: &str, text: &str) -> Result<WildMatch, ProfileError> {
    if text.is_empty() || text.len() > LONGEST / 2 {
        return Err(ProfileError::at(key, format!("a glob has 1 to {} bytes", LONGEST / 2)));
    }
    Ok(WildMatch::new(text))
}

/// An expression that the whole text must match; its engine takes linear time, its size is bounded.
fn expression(key: &str, text: &str) -> Result<Regex, ProfileError> {
    if text.len() > LONGEST {
        return Err(ProfileError::at(key, format!("a regular expression has at most {LONGEST} bytes")));
    }
    RegexBuilder::new(&format!("^(?:{text})$"))
        .size_limit(COMPILED)
        .dfa_size_limit(COMPILED)
        .nest_limit(32)
        .build()
        .map_err(|error| {
            let text = error.to_string();
            let last = text.lines().rev().find_map(|line| line.strip_prefix("error: "));
            ProfileError::at(key, format!("no regular expression: {}", last.unwrap_or(&text)))
        })
}
