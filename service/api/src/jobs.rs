//! Work that is done later.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::Problem;

/// What goes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Priority {
    /// Somebody waits for it: before everything in bulk.
    #[default]
    Gate,
    /// Whenever there is time.
    Bulk,
}

/// What a job does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum JobKind {
    /// Checks a submission and stores it as a revision.
    Submit,
    /// Checks a submission and keeps the report with the job.
    Check,
    /// Checks a stored revision again, for a campaign.
    Recheck,
    /// Binds a skeleton to its body on trial, and keeps what that came to with the job.
    #[serde(rename = "trial-bind")]
    TrialBind,
}

/// Where a job stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum JobState {
    /// It waits for its turn.
    Queued,
    /// It runs.
    Running,
    /// An attempt failed for a reason that may pass; the next is at `retry_at`.
    Failed,
    /// Its campaign is paused.
    Paused,
    /// It is done; `result` says where to look.
    Done,
    /// It is given up; `problem` says why.
    Dead,
    /// It was cancelled, and had no effect.
    Cancelled,
}

impl JobState {
    /// Whether nothing more will happen.
    pub fn is_over(self) -> bool {
        matches!(self, Self::Done | Self::Dead | Self::Cancelled)
    }
}

/// How far a job is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Progress {
    /// Steps that are behind it: checks, joints of a sweep, hundredths of a trial bind.
    pub done: u64,
    /// Steps in all; 0 while it has not begun.
    pub total: u64,
}

/// A job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Job {
    /// Its id (RFC 9562).
    pub id: String,
    /// What it does.
    pub kind: JobKind,
    /// What goes first.
    pub priority: Priority,
    /// Where it stands.
    pub state: JobState,
    /// Attempts begun.
    pub attempts: u64,
    /// How far the present attempt is.
    pub progress: Progress,
    /// When it was accepted, RFC 3339, UTC.
    pub created_at: String,
    /// When its state last changed, RFC 3339, UTC.
    pub updated_at: String,
    /// When the next attempt is due, RFC 3339, UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub retry_at: Option<String>,
    /// Where the result is: a revision, a report, or a trial bind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub result: Option<String>,
    /// Why it is given up, or why the last attempt failed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<Problem>,
}
