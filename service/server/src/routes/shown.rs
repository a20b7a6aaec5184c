//! A report in a form, with what the form shows beside it.

use axum::body::Bytes;
use condyle_core::figure::Figure;
use condyle_core::render::Item;
use condyle_core::report::Report;

use super::negotiate::{Form, input_name};
use crate::problem::ApiError;

/// What there is to show.
pub(super) struct Shown {
    report: Report,
    /// The report that it is held against.
    pub(super) previous: Option<Report>,
    /// The document that its findings point into.
    pub(super) source: Option<Bytes>,
    pub(super) figure: Option<Figure>,
    /// Where the figure lies for the reader.
    pub(super) picture: Option<String>,
}

impl Shown {
    pub(super) fn new(report: Report) -> Self {
        Self { report, previous: None, source: None, figure: None, picture: None }
    }

    /// Off the async threads: a large document with many faults takes a while.
    pub(super) async fn render(self, form: Form) -> Result<String, ApiError> {
        let work = move || {
            let Self { report, previous, source, figure, picture } = self;
            form.render(Item {
                previous: previous.as_ref(),
                source: source.as_deref().and_then(|text| std::str::from_utf8(text).ok()),
                figure: figure.as_ref(),
                picture: picture.as_deref(),
                ..Item::new(&input_name(&report), &report)
            })
        };
        tokio::task::spawn_blocking(work).await.map_err(|error| ApiError::Internal(error.to_string()))
    }
}
