//! Who is told what happens.

use std::time::Duration;

use condyle_api::{Delivery, DeliveryState, Replay, ReplayRequest, Webhook, WebhookRequest, WebhookSecret};

use super::submit::sound;
use crate::problem::ApiError;
use crate::routes::negotiate::tag_of;
use crate::state::App;
use crate::webhooks::outbox::{StoredWebhook, event_of};
use crate::webhooks::secret;

/// Characters of what a webhook is for.
const LONGEST: usize = 500;
/// How long a registration waits for a name to resolve.
const RESOLVE: Duration = Duration::from_secs(3);

/// Registers a webhook; its secret is told this once.
pub async fn register(app: &App, mut new: WebhookRequest) -> Result<WebhookSecret, ApiError> {
    fit(app, &mut new).await?;
    let (id, secret) = (super::offer::fresh_id(), fresh()?);
    let most = app.config.webhooks.most;
    if !app.outbox.register(&id, &new, &secret, most, crate::clock::now_ms()).await? {
        let text = format!("{most} webhooks are registered, and no more can be (webhooks.most)");
        return Err(ApiError::InvalidRequest(text));
    }
    let webhook = webhook(app, &id).await?.webhook;
    Ok(WebhookSecret { webhook, secret, old_secret_until: None })
}

/// A webhook.
pub async fn webhook(app: &App, id: &str) -> Result<StoredWebhook, ApiError> {
    app.outbox.webhook(id).await?.ok_or_else(missing)
}

/// All of them.
pub async fn webhooks(app: &App) -> Result<Vec<Webhook>, ApiError> {
    Ok(app.outbox.webhooks().await?)
}

/// Changes a webhook; `expected` is the request's `If-Match`.
pub async fn change(
    app: &App,
    id: &str,
    mut new: WebhookRequest,
    expected: Option<&str>,
) -> Result<Webhook, ApiError> {
    fit(app, &mut new).await?;
    let there = match app.outbox.webhook(id).await? {
        Some(there) => there,
        None if expected.is_some() => return Err(ApiError::PreconditionFailed),
        None => return Err(missing()),
    };
    if let Some(list) = expected {
        let tag = tag_of(&there.webhook)?;
        if list.trim() != "*" && !list.split(',').any(|one| one.trim() == tag) {
            return Err(ApiError::PreconditionFailed);
        }
    }
    if !app.outbox.change(id, &new, there.updated_ms, crate::clock::now_ms()).await? {
        return Err(ApiError::PreconditionFailed);
    }
    Ok(webhook(app, id).await?.webhook)
}

/// Removes a webhook with its deliveries.
pub async fn remove(app: &App, id: &str) -> Result<(), ApiError> {
    if app.outbox.remove(id).await? { Ok(()) } else { Err(missing()) }
}

/// Gives a webhook another secret; the one before signs beside it for a while.
pub async fn rotate(app: &App, id: &str) -> Result<WebhookSecret, ApiError> {
    let (now, secret) = (crate::clock::now_ms(), fresh()?);
    let hours = i64::try_from(app.config.webhooks.old_secret_h).unwrap_or(i64::MAX);
    let until = now.saturating_add(hours.saturating_mul(3_600_000));
    if !app.outbox.rotate(id, &secret, until, now).await? {
        return Err(missing());
    }
    let webhook = webhook(app, id).await?.webhook;
    Ok(WebhookSecret { webhook, secret, old_secret_until: Some(crate::clock::rfc3339(until)) })
}

/// Deliveries of a webhook, one more than `limit` where there are more.
pub async fn deliveries(
    app: &App,
    id: &str,
    state: Option<DeliveryState>,
    below: Option<i64>,
    limit: u32,
) -> Result<Vec<Delivery>, ApiError> {
    webhook(app, id).await?;
    Ok(app.outbox.deliveries(id, state, below, limit + 1).await?)
}

/// Sends one message again.
pub async fn replay_one(app: &App, id: &str, delivery: &str) -> Result<Delivery, ApiError> {
    webhook(app, id).await?;
    let lost = || ApiError::not_found("such delivery");
    let event = event_of(id, delivery).ok_or_else(lost)?;
    let there = app.outbox.delivery(id, event).await?.filter(|there| there.id == delivery);
    there.ok_or_else(lost)?;
    if !app.outbox.replay_one(id, event, crate::clock::now_ms()).await? {
        return Err(lost());
    }
    app.outbox.delivery(id, event).await?.ok_or_else(lost)
}

/// Sends again what happened since a time.
pub async fn replay_since(app: &App, id: &str, asked: &ReplayRequest) -> Result<Replay, ApiError> {
    let since = crate::clock::from_rfc3339(&asked.since)
        .ok_or_else(|| ApiError::InvalidRequest("since is a time, RFC 3339".into()))?;
    let there = webhook(app, id).await?.webhook;
    let now = crate::clock::now_ms();
    Ok(app.outbox.replay_since(&there, since, asked.only_undelivered, now).await?)
}

/// Refuses a webhook that cannot be.
async fn fit(app: &App, new: &mut WebhookRequest) -> Result<(), ApiError> {
    if let Some(production) = &new.production {
        sound("production", production)?;
    }
    if new.events.is_empty() {
        return Err(ApiError::InvalidRequest("events names at least one kind".into()));
    }
    new.events.sort_by_key(|kind| kind.word());
    new.events.dedup();
    if new.about.chars().count() > LONGEST || new.about.chars().any(char::is_control) {
        let text = format!("about has at most {LONGEST} characters, and none that controls");
        return Err(ApiError::InvalidRequest(text));
    }
    let targets = app.carrier.targets();
    let url = targets.url(&new.url).map_err(|why| ApiError::WebhookTarget(why.0))?;
    // The same is asked for every connection; told now where it can be. A name that does not resolve may do so later.
    let host = url.host_str().unwrap_or_default().trim_matches(['[', ']']).to_owned();
    let port = url.port_or_known_default().unwrap_or(0);
    let looked_up = tokio::time::timeout(RESOLVE, tokio::net::lookup_host((host.as_str(), port))).await;
    if let Ok(Ok(found)) = looked_up {
        let found: Vec<_> = found.collect();
        targets.addresses(&host, &found).map_err(|why| ApiError::WebhookTarget(why.0))?;
    }
    new.url = url.into();
    Ok(())
}

fn fresh() -> Result<String, ApiError> {
    secret::fresh().ok_or_else(|| ApiError::Internal("the machine gives no random bytes".into()))
}

fn missing() -> ApiError {
    ApiError::not_found("such webhook")
}
