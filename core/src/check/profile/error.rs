//! Mistakes in profiles: the key, and what to write instead.

use serde_path_to_error::{Path, Segment};

use crate::model::nearest;

/// A mistake in a profile: the key, and what to write instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileError {
    /// The key, dotted; empty when the text itself cannot be parsed.
    pub key: String,
    /// What is wrong, with the right key where one is near, or with line and column where the text cannot be parsed.
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

impl ProfileError {
    /// A mistake at a key.
    pub(super) fn at(key: impl Into<String>, message: impl Into<String>) -> Self {
        Self { key: key.into(), message: message.into() }
    }

    /// A name that nothing has.
    pub(super) fn unknown<'k>(
        key: impl Into<String>,
        what: &str,
        got: &str,
        known: impl IntoIterator<Item = &'k str>,
    ) -> Self {
        let near = nearest(got, known).map_or(String::new(), |near| format!(" (did you mean {near}?)"));
        let got: String = got.chars().take(80).collect();
        Self::at(key, format!("no {what} is called {got}{near}"))
    }

    /// A text that is neither TOML nor JSON.
    pub(super) fn unreadable(text: &str, at: usize, message: &str) -> Self {
        let before = text.get(..at).unwrap_or(text);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
        Self::at("", format!("line {line}, column {column}: {}", message.replace('\n', " ").trim()))
    }

    /// A value of another type or shape than its key takes.
    pub(super) fn shape(path: &Path, message: &str) -> Self {
        let mut key = String::new();
        for segment in path {
            match segment {
                Segment::Seq { index } => key.push_str(&format!("[{index}]")),
                Segment::Map { key: name } => push(&mut key, name),
                Segment::Enum { .. } | Segment::Unknown => {}
            }
        }
        let mut quoted = message.split('`').skip(1).step_by(2);
        if message.starts_with("unknown field") {
            let name = quoted.next().unwrap_or_default();
            if key != name && !key.ends_with(&format!(".{}", step(name))) {
                push(&mut key, name);
            }
            let known: Vec<&str> = quoted.collect();
            let hint = match nearest(name, known.iter().copied()) {
                Some(near) => format!("did you mean {near}?"),
                None => format!("known: {}", known.join(", ")),
            };
            return Self::at(key, format!("there is no such key ({hint})"));
        }
        if message.starts_with("unknown variant") {
            let got = quoted.next().unwrap_or_default().to_owned();
            let known: Vec<&str> = quoted.collect();
            let near = nearest(&got, known.iter().copied());
            let hint = near.map_or(String::new(), |near| format!(" (did you mean {near}?)"));
            return Self::at(key, format!("{got} is none of {}{hint}", known.join(", ")));
        }
        if message.starts_with("missing field") {
            let name = quoted.next().unwrap_or_default();
            push(&mut key, name);
            return Self::at(key, "is missing");
        }
        Self::at(key, message.replace('`', ""))
    }
}

/// One step of a dotted key, quoted where TOML asks for it.
pub(super) fn step(name: &str) -> String {
    let bare = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '-'));
    let cut: String = name.chars().take(120).collect();
    if bare { cut } else { format!("\"{cut}\"") }
}

fn push(key: &mut String, name: &str) {
    if !key.is_empty() {
        key.push('.');
    }
    key.push_str(&step(name));
}
