//! Messages to webhooks, written in the transaction of the event that they tell.

use condyle_api::{Event, WebhookMessage};
use sqlx::AnyConnection;

/// One row for each webhook that wants to know.
pub(super) async fn post(
    connection: &mut AnyConnection,
    event: &Event,
    now_ms: i64,
) -> Result<(), sqlx::Error> {
    let wanted: Vec<(String, String)> = sqlx::query_as(
        "SELECT id, events FROM webhooks WHERE enabled = 1 AND (production = '' OR production = $1) ORDER BY id",
    )
    .bind(&event.production)
    .fetch_all(&mut *connection)
    .await?;
    let mut body = None;
    for (webhook, kinds) in wanted {
        if !kinds.split(' ').any(|kind| kind == event.event.word()) {
            continue;
        }
        let body = match &body {
            Some(body) => body,
            None => body.insert(message(event)?),
        };
        sqlx::query(
            "INSERT INTO webhook_deliveries (webhook, event, kind, production, body, state, due_ms, attempts, \
             created_ms, updated_ms) VALUES ($1, $2, $3, $4, $5, 'waiting', $6, 0, $6, $6)",
        )
        .bind(webhook)
        .bind(event.id as i64)
        .bind(event.event.word())
        .bind(&event.production)
        .bind(body)
        .bind(now_ms)
        .execute(&mut *connection)
        .await?;
    }
    Ok(())
}

/// The body of the message that tells an event.
pub(crate) fn message(event: &Event) -> Result<String, sqlx::Error> {
    let message = WebhookMessage { kind: event.event, timestamp: event.at.clone(), data: event.clone() };
    serde_json::to_string(&message).map_err(|error| sqlx::Error::Encode(Box::new(error)))
}
