//! `/v1/checks`.

pub mod post;

use crate::state::App;

/// Seconds that a caller may wait for a job: less than the request may take.
pub(super) fn most_wait_s(app: &App) -> u64 {
    app.config.server.request_timeout_s.saturating_sub(5)
}
