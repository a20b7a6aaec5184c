//! Telling other programs what happened: who is told, and what became of each message.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::{Event, EventKind};

/// Who is told what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WebhookRequest {
    /// Where messages are sent by POST: http or https, a host that the configuration allows, no user and no password.
    pub url: String,
    /// What it is told of; revisions stored or judged again, and verdicts changed, unless said.
    #[serde(default = "usual")]
    #[schema(min_items = 1)]
    pub events: Vec<EventKind>,
    /// Only what happens in this production.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$")]
    pub production: Option<String>,
    /// What it is for, in the operator's words: one line of at most 500 characters.
    #[serde(default)]
    #[schema(max_length = 500, pattern = "^[^\\x00-\\x1f\\x7f-\\x9f]*$")]
    pub about: String,
    /// Whether messages are sent. Turned on again, it begins with what waits; what happened meanwhile can be replayed.
    #[serde(default = "yes")]
    pub enabled: bool,
}

fn usual() -> Vec<EventKind> {
    vec![EventKind::RevisionStored, EventKind::RevisionRejudged, EventKind::VerdictChanged]
}

fn yes() -> bool {
    true
}

/// A webhook as it is shown: never its secret.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Webhook {
    /// Its id (RFC 9562).
    pub id: String,
    /// Where messages are sent.
    pub url: String,
    /// What it is told of.
    pub events: Vec<EventKind>,
    /// Only what happens in this production; `null` for all.
    pub production: Option<String>,
    /// What it is for.
    pub about: String,
    /// Whether messages are sent.
    pub enabled: bool,
    /// Why the service turned it off, where it did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disabled_because: Option<String>,
    /// Since when every attempt failed, RFC 3339, UTC; absent while messages arrive.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failing_since: Option<String>,
    /// When it was registered, RFC 3339, UTC.
    pub created_at: String,
    /// When it was last changed, RFC 3339, UTC.
    pub updated_at: String,
}

/// A webhook with its new secret, which is shown this once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WebhookSecret {
    /// The webhook.
    pub webhook: Webhook,
    /// Signs its messages (Standard Webhooks 1.0): `whsec_` and the key as base64.
    pub secret: String,
    /// Until when messages are also signed by the secret before it, RFC 3339, UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub old_secret_until: Option<String>,
}

/// The webhooks.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WebhookList {
    /// The oldest first.
    pub items: Vec<Webhook>,
}

/// Where a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum DeliveryState {
    /// It waits for its next attempt.
    Waiting,
    /// An attempt is being made.
    Sending,
    /// The receiver accepted it.
    Delivered,
    /// It was given up; a replay sends it again.
    Dead,
}

/// How the last attempt at a delivery ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Attempt {
    /// When, RFC 3339, UTC.
    pub at: String,
    /// The receiver's status; absent where there was no answer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub status: Option<u16>,
    /// What went wrong, in words; absent where nothing did.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<String>,
    /// How long it took, milliseconds.
    pub took_ms: u64,
}

/// One message to one webhook.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Delivery {
    /// The id of the message, the same in every attempt: the header `webhook-id`.
    pub id: String,
    /// The event's number in the log.
    pub event: u64,
    /// What happened.
    #[serde(rename = "type")]
    pub kind: EventKind,
    /// The show.
    pub production: String,
    /// Where it stands.
    pub state: DeliveryState,
    /// Attempts begun since it was made, or replayed.
    pub attempts: u64,
    /// When the event happened, RFC 3339, UTC.
    pub created_at: String,
    /// When the next attempt is due, RFC 3339, UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_attempt_at: Option<String>,
    /// The last attempt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_attempt: Option<Attempt>,
}

/// Deliveries of a webhook, the newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DeliveryPage {
    /// The deliveries.
    pub items: Vec<Delivery>,
    /// Give this as `cursor` for the next page; absent on the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next: Option<String>,
}

/// Which events are sent again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReplayRequest {
    /// Events that happened at this time or later, RFC 3339.
    #[schema(format = DateTime)]
    pub since: String,
    /// Not those that the receiver accepted.
    #[serde(default)]
    pub only_undelivered: bool,
}

/// What is sent again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Replay {
    /// Messages that wait now because of this.
    pub queued: u64,
    /// Whether there are more: ask again with `since` at `until`.
    pub more: bool,
    /// The time of the last event that was looked at, RFC 3339, UTC.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<String>,
}

/// The body of a message (Standard Webhooks 1.0: `type`, `timestamp`, `data`).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct WebhookMessage {
    /// What happened.
    #[serde(rename = "type")]
    pub kind: EventKind,
    /// When it happened, RFC 3339, UTC.
    pub timestamp: String,
    /// The event.
    pub data: Event,
}
