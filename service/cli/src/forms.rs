//! The forms that reports are printed in, the same for every command that prints some.

use std::io::{IsTerminal as _, Write as _};

use clap::ValueEnum;
use condyle_core::render::{self, Item, Unread};
use condyle_core::report::Report;

/// How to print.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, ValueEnum)]
pub(crate) enum Form {
    /// For people.
    #[default]
    Text,
    /// One report, or a list of reports for several files.
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

    /// One document of any number of reports, and of what could not be read; empty for the forms that are none.
    /// `single` is where one file was given, whose report stands alone.
    pub(crate) fn document(self, items: &[Item<'_>], unread: &[Unread<'_>], single: bool) -> String {
        match self {
            Self::Text | Self::Ndjson => String::new(),
            Self::Json => json(items, single),
            Self::Sarif => render::sarif_with(items, unread),
            Self::Junit => render::junit_with(items, unread),
            Self::Markdown => render::markdown(items),
            Self::Html => render::html(items),
            Self::Annotations => render::annotations_with(items, unread),
            Self::CodeQuality => render::quality(items),
        }
    }
}

/// One report alone, or a list.
fn json(items: &[Item<'_>], single: bool) -> String {
    let reports: Vec<&Report> = items.iter().map(|item| item.report).collect();
    let text = match reports.as_slice() {
        [only] if single => serde_json::to_string_pretty(only),
        list => serde_json::to_string_pretty(list),
    };
    // Reports hold no maps with keys that JSON cannot have.
    text.map(|text| text + "\n").unwrap_or_default()
}

/// Whether somebody watches: progress is drawn for nobody else.
pub(crate) fn watched() -> bool {
    std::io::stderr().is_terminal()
}

/// A line to whoever called, beside what is printed.
pub(crate) fn told(text: &str) {
    let _ = writeln!(anstream::stderr(), "condyle: {text}");
}
