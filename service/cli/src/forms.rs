//! The forms that reports are printed in, the same for every command that prints some.

use std::io::{IsTerminal as _, Write as _};

use clap::ValueEnum;
use condyle_core::render::{self, Item, Unread};
use serde_json::{Value, json};

/// How to print.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum Form {
    /// For people.
    #[default]
    Text,
    /// One report, or a list of reports for several files; of a file that cannot be read, `condyle.unread/1`.
    Json,
    /// One line of JSON for each file.
    Ndjson,
    /// SARIF 2.1.0.
    Sarif,
    /// JUnit XML, for build servers.
    Junit,
    /// Markdown, for a comment on a change.
    Markdown,
    /// One self-contained page.
    Html,
    /// Workflow commands that a hosted build shows beside a change.
    Annotations,
    /// A code-quality list in JSON.
    CodeQuality,
}

impl Form {
    /// Whether it makes one document of all reports; text and lines are printed one by one.
    #[cfg(feature = "client")]
    pub(crate) fn is_document(self) -> bool {
        !matches!(self, Self::Text | Self::Ndjson)
    }

    /// Whether it has a use for the text that findings are in.
    pub(crate) fn reads_text(self) -> bool {
        matches!(self, Self::Sarif | Self::Annotations | Self::CodeQuality)
    }

    /// One document of any number of reports, and of what could not be read; empty for the forms that are none.
    /// `single` is where one file was given, whose report stands alone.
    pub(crate) fn document(self, items: &[Item<'_>], unread: &[Unread<'_>], single: bool) -> String {
        match self {
            Self::Text | Self::Ndjson => String::new(),
            Self::Json => json(items, unread, single),
            Self::Sarif => render::sarif_with(items, unread),
            Self::Junit => render::junit_with(items, unread),
            Self::Markdown => render::markdown_with(items, unread),
            Self::Html => render::html_with(items, unread),
            Self::Annotations => render::annotations_with(items, unread),
            Self::CodeQuality => render::quality_with(items, unread),
        }
    }
}

/// One report alone, or a list.
fn json(items: &[Item<'_>], unread: &[Unread<'_>], single: bool) -> String {
    let reports = items.iter().map(|item| serde_json::to_value(item.report).unwrap_or_default());
    let mut all: Vec<Value> = reports.chain(unread.iter().map(missing)).collect();
    let whole = if single && all.len() == 1 { all.remove(0) } else { Value::Array(all) };
    format!("{whole:#}\n")
}

/// What stands in the place of a report, for programs.
pub(crate) fn missing(one: &Unread<'_>) -> Value {
    json!({"unread": "condyle.unread/1", "file": one.path, "error": one.reason})
}

/// Whether somebody watches: progress is drawn for nobody else.
pub(crate) fn watched() -> bool {
    std::io::stderr().is_terminal()
}

/// A line to whoever called, beside what is printed.
pub(crate) fn told(text: &str) {
    let _ = writeln!(anstream::stderr(), "condyle: {text}");
}
