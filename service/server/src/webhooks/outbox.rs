//! Webhooks and their deliveries in the database. SQL stands beside its method. A delivery is taken under a lease, as a
//! job is: whoever lost it can note nothing more.

use condyle_api::{Attempt, Delivery, DeliveryState, Event, EventKind, Replay, Webhook, WebhookRequest};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AnyPool, Row as _};

use crate::store::outgoing::message;
use crate::store::{Store, events};

/// Events that one replay looks at.
const MOST_REPLAYED: i64 = 10_000;
/// Secrets of a webhook that sign at once.
const MOST_SECRETS: i64 = 3;

/// The messages.
#[derive(Debug, Clone)]
pub struct Outbox {
    pool: AnyPool,
    store: Store,
}

/// A delivery that is ours for a while, with all that sending it needs.
#[derive(Debug, Clone)]
pub struct Parcel {
    /// The webhook.
    pub webhook: String,
    /// The event's number.
    pub event: i64,
    /// The id of the message.
    pub id: String,
    /// Where it goes.
    pub url: String,
    /// What is sent.
    pub body: String,
    /// What signs it.
    pub secrets: Vec<String>,
    /// Attempts begun, with this one.
    pub attempts: u64,
    owner: String,
}

/// How an attempt ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    /// When, milliseconds since the epoch.
    pub at_ms: i64,
    /// How long it took, milliseconds.
    pub took_ms: i64,
    /// The receiver's status.
    pub status: Option<u16>,
    /// What went wrong; nothing where the receiver accepted it.
    pub problem: Option<String>,
}

/// What follows from a failed attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Consequence {
    /// When the next attempt is due; nothing where the delivery is given up.
    pub due_ms: Option<i64>,
    /// The webhook is turned off if it failed since this time or longer.
    pub off_since_ms: i64,
    /// The receiver said that it is gone for good.
    pub gone: bool,
}

/// What became of the note of an attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noted {
    /// It is noted.
    Yes,
    /// It is noted, and the webhook was turned off.
    TurnedOff,
    /// The lease was lost; nothing is noted.
    Lost,
}

/// A webhook as it is stored, with the time that tells whether it is still the same.
#[derive(Debug, Clone)]
pub struct StoredWebhook {
    /// The wire form.
    pub webhook: Webhook,
    /// When it was last changed.
    pub updated_ms: i64,
}

/// Counts for the metrics.
#[derive(Debug, Clone, Copy, Default)]
pub struct OutboxCounts {
    /// Webhooks that are on.
    pub enabled: i64,
    /// Webhooks that are off.
    pub disabled: i64,
    /// Deliveries that wait or are being sent.
    pub open: i64,
    /// Deliveries that were given up.
    pub dead: i64,
}

const WEBHOOK: &str = "id, url, events, production, about, enabled, disabled_because, failing_since_ms, created_ms, \
                       updated_ms";
const DELIVERY: &str = "webhook, event, kind, production, state, due_ms, attempts, last_ms, last_status, \
                        last_problem, last_took_ms, created_ms";

impl Outbox {
    /// The messages in a database.
    pub(crate) fn new(pool: AnyPool, store: Store) -> Self {
        Self { pool, store }
    }

    /// Registers a webhook; `false` where there are `most` already.
    pub async fn register(
        &self,
        id: &str,
        new: &WebhookRequest,
        secret: &str,
        most: u32,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let there: i64 =
            sqlx::query_scalar("SELECT COUNT(*) FROM webhooks").fetch_one(&mut *transaction).await?;
        if there >= i64::from(most) {
            transaction.rollback().await?;
            return Ok(false);
        }
        sqlx::query(
            "INSERT INTO webhooks (id, url, events, production, about, enabled, created_ms, updated_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $7)",
        )
        .bind(id)
        .bind(&new.url)
        .bind(words(&new.events))
        .bind(new.production.as_deref().unwrap_or(""))
        .bind(&new.about)
        .bind(i64::from(new.enabled))
        .bind(now_ms)
        .execute(&mut *transaction)
        .await?;
        sqlx::query("INSERT INTO webhook_secrets (webhook, number, secret) VALUES ($1, 1, $2)")
            .bind(id)
            .bind(secret)
            .execute(&mut *transaction)
            .await?;
        self.store.publish(transaction).await?;
        Ok(true)
    }

    /// All webhooks, the oldest first.
    pub async fn webhooks(&self) -> Result<Vec<Webhook>, sqlx::Error> {
        let sql = format!("SELECT {WEBHOOK} FROM webhooks ORDER BY created_ms, id");
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql)).fetch_all(&self.pool).await?;
        rows.iter().map(|row| webhook(row).map(|stored| stored.webhook)).collect()
    }

    /// A webhook.
    pub async fn webhook(&self, id: &str) -> Result<Option<StoredWebhook>, sqlx::Error> {
        let sql = format!("SELECT {WEBHOOK} FROM webhooks WHERE id = $1");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_optional(&self.pool).await?;
        row.as_ref().map(webhook).transpose()
    }

    /// Changes a webhook that was last changed at `before_ms`; `false` where it is gone or another one by now.
    pub async fn change(
        &self,
        id: &str,
        new: &WebhookRequest,
        before_ms: i64,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let done = sqlx::query(
            "UPDATE webhooks SET url = $1, events = $2, production = $3, about = $4, enabled = $5, \
             disabled_because = NULL, failing_since_ms = NULL, updated_ms = $6 WHERE id = $7 AND updated_ms = $8",
        )
        .bind(&new.url)
        .bind(words(&new.events))
        .bind(new.production.as_deref().unwrap_or(""))
        .bind(&new.about)
        .bind(i64::from(new.enabled))
        .bind(now_ms.max(before_ms + 1))
        .bind(id)
        .bind(before_ms)
        .execute(&mut *transaction)
        .await?;
        self.store.publish(transaction).await?;
        Ok(done.rows_affected() == 1)
    }

    /// Removes a webhook with all that is its own; `false` where there is none.
    pub async fn remove(&self, id: &str) -> Result<bool, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let gone =
            sqlx::query("DELETE FROM webhooks WHERE id = $1").bind(id).execute(&mut *transaction).await?;
        for sql in [
            "DELETE FROM webhook_secrets WHERE webhook = $1",
            "DELETE FROM webhook_deliveries WHERE webhook = $1",
        ] {
            sqlx::query(sql).bind(id).execute(&mut *transaction).await?;
        }
        self.store.publish(transaction).await?;
        Ok(gone.rows_affected() == 1)
    }

    /// Adds a secret; those before it sign until a time. `false` where there is no such webhook.
    pub async fn rotate(
        &self,
        id: &str,
        secret: &str,
        until_ms: i64,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let there = sqlx::query("UPDATE webhooks SET updated_ms = updated_ms + 1 WHERE id = $1")
            .bind(id)
            .execute(&mut *transaction)
            .await?;
        if there.rows_affected() != 1 {
            transaction.rollback().await?;
            return Ok(false);
        }
        let last: i64 = sqlx::query_scalar("SELECT MAX(number) FROM webhook_secrets WHERE webhook = $1")
            .bind(id)
            .fetch_one(&mut *transaction)
            .await?;
        sqlx::query("DELETE FROM webhook_secrets WHERE webhook = $1 AND (until_ms <= $2 OR number < $3)")
            .bind(id)
            .bind(now_ms)
            .bind(last + 2 - MOST_SECRETS)
            .execute(&mut *transaction)
            .await?;
        sqlx::query("UPDATE webhook_secrets SET until_ms = $1 WHERE webhook = $2 AND until_ms IS NULL")
            .bind(until_ms)
            .bind(id)
            .execute(&mut *transaction)
            .await?;
        sqlx::query("INSERT INTO webhook_secrets (webhook, number, secret) VALUES ($1, $2, $3)")
            .bind(id)
            .bind(last + 1)
            .bind(secret)
            .execute(&mut *transaction)
            .await?;
        self.store.publish(transaction).await?;
        Ok(true)
    }

    /// Deliveries of a webhook, the newest first, below an event's number.
    pub async fn deliveries(
        &self,
        webhook: &str,
        state: Option<DeliveryState>,
        below: Option<i64>,
        limit: u32,
    ) -> Result<Vec<Delivery>, sqlx::Error> {
        let sql = format!(
            "SELECT {DELIVERY} FROM webhook_deliveries WHERE webhook = $1 AND event < $2 \
             AND ($3 = '' OR state = $3) ORDER BY event DESC LIMIT $4"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(webhook)
            .bind(below.unwrap_or(i64::MAX))
            .bind(state.map_or("", word))
            .bind(i64::from(limit))
            .fetch_all(&self.pool)
            .await?;
        rows.iter().map(delivery).collect()
    }

    /// One delivery.
    pub async fn delivery(&self, webhook: &str, event: i64) -> Result<Option<Delivery>, sqlx::Error> {
        let sql = format!("SELECT {DELIVERY} FROM webhook_deliveries WHERE webhook = $1 AND event = $2");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(webhook)
            .bind(event)
            .fetch_optional(&self.pool)
            .await?;
        row.as_ref().map(delivery).transpose()
    }

    /// Lets a delivery be sent again, as if it were new. Who sends it now can no longer note how that ends.
    pub async fn replay_one(&self, webhook: &str, event: i64, now_ms: i64) -> Result<bool, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let queued = again(&mut transaction, webhook, event, false, now_ms).await?;
        self.store.publish(transaction).await?;
        Ok(queued)
    }

    /// Lets all that happened since a time be sent, also what happened while the webhook was off or not yet there, as far
    /// as the log goes back.
    pub async fn replay_since(
        &self,
        hook: &Webhook,
        since_ms: i64,
        only_undelivered: bool,
        now_ms: i64,
    ) -> Result<Replay, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let production = hook.production.as_deref().unwrap_or("");
        let numbers: Vec<i64> = sqlx::query_scalar(
            "SELECT event AS number FROM webhook_deliveries WHERE webhook = $1 AND created_ms >= $2 \
             UNION SELECT id FROM events WHERE at_ms >= $2 AND ($3 = '' OR production = $3) ORDER BY number LIMIT $4",
        )
        .bind(&hook.id)
        .bind(since_ms)
        .bind(production)
        .bind(MOST_REPLAYED + 1)
        .fetch_all(&mut *transaction)
        .await?;
        let more = numbers.len() as i64 > MOST_REPLAYED;
        let (mut queued, mut until_ms) = (0, None);
        for number in numbers.into_iter().take(MOST_REPLAYED as usize) {
            let there: Option<i64> = sqlx::query_scalar(
                "SELECT created_ms FROM webhook_deliveries WHERE webhook = $1 AND event = $2",
            )
            .bind(&hook.id)
            .bind(number)
            .fetch_optional(&mut *transaction)
            .await?;
            if let Some(created_ms) = there {
                until_ms = Some(created_ms);
                queued +=
                    u64::from(again(&mut transaction, &hook.id, number, only_undelivered, now_ms).await?);
                continue;
            }
            let row: Option<(String, i64)> = sqlx::query_as("SELECT body, at_ms FROM events WHERE id = $1")
                .bind(number)
                .fetch_optional(&mut *transaction)
                .await?;
            let Some((body, at_ms)) = row else { continue };
            until_ms = Some(at_ms);
            let event: Event =
                serde_json::from_str(&body).map_err(|error| sqlx::Error::Decode(Box::new(error)))?;
            if !hook.events.contains(&event.event) {
                continue;
            }
            sqlx::query(
                "INSERT INTO webhook_deliveries (webhook, event, kind, production, body, state, due_ms, attempts, \
                 created_ms, updated_ms) VALUES ($1, $2, $3, $4, $5, 'waiting', $6, 0, $7, $6)",
            )
            .bind(&hook.id)
            .bind(number)
            .bind(event.event.word())
            .bind(&event.production)
            .bind(message(&event)?)
            .bind(now_ms)
            .bind(at_ms)
            .execute(&mut *transaction)
            .await?;
            queued += 1;
        }
        self.store.publish(transaction).await?;
        Ok(Replay { queued, more, until: until_ms.map(crate::clock::rfc3339) })
    }

    /// Webhooks that are on and have something due.
    pub async fn due(&self, now_ms: i64) -> Result<Vec<String>, sqlx::Error> {
        sqlx::query_scalar(
            "SELECT id FROM webhooks WHERE enabled = 1 AND EXISTS (SELECT 1 FROM webhook_deliveries \
             WHERE webhook = id AND due_ms <= $1) ORDER BY id",
        )
        .bind(now_ms)
        .fetch_all(&self.pool)
        .await
    }

    /// Takes what a webhook's next delivery is, for `lease_ms`; `owner` must be of this claim alone.
    pub async fn claim(
        &self,
        webhook: &str,
        owner: &str,
        now_ms: i64,
        lease_ms: i64,
    ) -> Result<Option<Parcel>, sqlx::Error> {
        loop {
            let due: Option<(i64, String, i64, i64, i64)> = sqlx::query_as(
                "SELECT event, state, attempts, due_ms, created_ms FROM webhook_deliveries \
                 WHERE webhook = $1 AND due_ms <= $2 ORDER BY due_ms, event LIMIT 1",
            )
            .bind(webhook)
            .bind(now_ms)
            .fetch_optional(&self.pool)
            .await?;
            let Some((event, state, attempts, due_ms, created_ms)) = due else { return Ok(None) };
            let taken = sqlx::query(
                "UPDATE webhook_deliveries SET state = 'sending', owner = $1, attempts = attempts + 1, due_ms = $2, \
                 updated_ms = $3 WHERE webhook = $4 AND event = $5 AND state = $6 AND attempts = $7 AND due_ms = $8",
            )
            .bind(owner)
            .bind(now_ms + lease_ms)
            .bind(now_ms)
            .bind(webhook)
            .bind(event)
            .bind(&state)
            .bind(attempts)
            .bind(due_ms)
            .execute(&self.pool)
            .await?;
            // Another sender may be quicker; then there may be another delivery.
            if taken.rows_affected() != 1 {
                continue;
            }
            let row: Option<(String, String)> = sqlx::query_as(
                "SELECT url, body FROM webhooks JOIN webhook_deliveries ON webhook = id WHERE id = $1 AND event = $2",
            )
            .bind(webhook)
            .bind(event)
            .fetch_optional(&self.pool)
            .await?;
            let Some((url, body)) = row else { return Ok(None) };
            let secrets: Vec<String> = sqlx::query_scalar(
                "SELECT secret FROM webhook_secrets WHERE webhook = $1 AND (until_ms IS NULL OR until_ms > $2) \
                 ORDER BY number DESC",
            )
            .bind(webhook)
            .bind(now_ms)
            .fetch_all(&self.pool)
            .await?;
            return Ok(Some(Parcel {
                webhook: webhook.to_owned(),
                event,
                id: message_id(webhook, event, created_ms),
                url,
                body,
                secrets,
                attempts: attempts as u64 + 1,
                owner: owner.to_owned(),
            }));
        }
    }

    /// Gives a delivery back as it was: the service stops.
    pub async fn release(&self, parcel: &Parcel, now_ms: i64) -> Result<bool, sqlx::Error> {
        let done = sqlx::query(
            "UPDATE webhook_deliveries SET state = 'waiting', owner = NULL, attempts = attempts - 1, due_ms = $1, \
             updated_ms = $1 WHERE webhook = $2 AND event = $3 AND owner = $4 AND state = 'sending'",
        )
        .bind(now_ms)
        .bind(&parcel.webhook)
        .bind(parcel.event)
        .bind(&parcel.owner)
        .execute(&self.pool)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Notes that the receiver accepted it.
    pub async fn delivered(&self, parcel: &Parcel, ended: &Ended) -> Result<Noted, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        if !note(&mut transaction, parcel, ended, "delivered", None).await? {
            transaction.rollback().await?;
            return Ok(Noted::Lost);
        }
        sqlx::query(
            "UPDATE webhooks SET failing_since_ms = NULL WHERE id = $1 AND failing_since_ms IS NOT NULL",
        )
        .bind(&parcel.webhook)
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        Ok(Noted::Yes)
    }

    /// Notes that an attempt failed, with what follows from it.
    pub async fn failed(
        &self,
        parcel: &Parcel,
        ended: &Ended,
        then: Consequence,
    ) -> Result<Noted, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let state = if then.due_ms.is_some() { "waiting" } else { "dead" };
        if !note(&mut transaction, parcel, ended, state, then.due_ms).await? {
            transaction.rollback().await?;
            return Ok(Noted::Lost);
        }
        let hook: Option<(i64, String)> = sqlx::query_as(
            "UPDATE webhooks SET failing_since_ms = COALESCE(failing_since_ms, $1) WHERE id = $2 AND enabled = 1 \
             RETURNING failing_since_ms, production",
        )
        .bind(ended.at_ms)
        .bind(&parcel.webhook)
        .fetch_optional(&mut *transaction)
        .await?;
        let why = match &hook {
            Some(_) if then.gone => Some("the receiver answered 410: it is gone for good"),
            Some((since_ms, _)) if *since_ms <= then.off_since_ms => Some("nothing arrived there for long"),
            _ => None,
        };
        let (Some(why), Some((_, production))) = (why, hook) else {
            transaction.commit().await?;
            return Ok(Noted::Yes);
        };
        sqlx::query(
            "UPDATE webhooks SET enabled = 0, disabled_because = $1, updated_ms = updated_ms + 1 WHERE id = $2",
        )
        .bind(why)
        .bind(&parcel.webhook)
        .execute(&mut *transaction)
        .await?;
        let mut event = events::about(EventKind::WebhookDisabled, &production);
        event.webhook = Some(parcel.webhook.clone());
        event.reason = Some(why.to_owned());
        events::append(&mut transaction, self.store.changes().keep(), ended.at_ms, event).await?;
        self.store.publish(transaction).await?;
        Ok(Noted::TurnedOff)
    }

    /// Forgets deliveries that were over before a time.
    pub async fn forget(&self, before_ms: i64) -> Result<u64, sqlx::Error> {
        let gone = sqlx::query(
            "DELETE FROM webhook_deliveries WHERE state IN ('delivered', 'dead') AND updated_ms < $1",
        )
        .bind(before_ms)
        .execute(&self.pool)
        .await?;
        Ok(gone.rows_affected())
    }

    /// What the metrics tell.
    pub async fn counts(&self) -> Result<OutboxCounts, sqlx::Error> {
        let (enabled, disabled, open, dead) = sqlx::query_as(
            "SELECT (SELECT COUNT(*) FROM webhooks WHERE enabled = 1), (SELECT COUNT(*) FROM webhooks WHERE enabled = 0), \
             (SELECT COUNT(*) FROM webhook_deliveries WHERE state IN ('waiting', 'sending')), \
             (SELECT COUNT(*) FROM webhook_deliveries WHERE state = 'dead')",
        )
        .fetch_one(&self.pool)
        .await?;
        Ok(OutboxCounts { enabled, disabled, open, dead })
    }
}

/// Writes the end of an attempt, if the lease holds.
async fn note(
    connection: &mut AnyConnection,
    parcel: &Parcel,
    ended: &Ended,
    state: &str,
    due_ms: Option<i64>,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "UPDATE webhook_deliveries SET state = $1, owner = NULL, due_ms = $2, last_ms = $3, last_status = $4, \
         last_problem = $5, last_took_ms = $6, updated_ms = $3 \
         WHERE webhook = $7 AND event = $8 AND owner = $9 AND state = 'sending'",
    )
    .bind(state)
    .bind(due_ms)
    .bind(ended.at_ms)
    .bind(ended.status.map(i64::from))
    .bind(&ended.problem)
    .bind(ended.took_ms)
    .bind(&parcel.webhook)
    .bind(parcel.event)
    .bind(&parcel.owner)
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Makes a delivery as if it were new.
async fn again(
    connection: &mut AnyConnection,
    webhook: &str,
    event: i64,
    only_undelivered: bool,
    now_ms: i64,
) -> Result<bool, sqlx::Error> {
    let done = sqlx::query(
        "UPDATE webhook_deliveries SET state = 'waiting', owner = NULL, attempts = 0, due_ms = $1, updated_ms = $1 \
         WHERE webhook = $2 AND event = $3 AND state <> $4",
    )
    .bind(now_ms)
    .bind(webhook)
    .bind(event)
    .bind(if only_undelivered { "delivered" } else { "" })
    .execute(connection)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The id of a message: of one event to one webhook. Its time is in it, because a restored backup counts events anew.
fn message_id(webhook: &str, event: i64, created_ms: i64) -> String {
    format!("msg_{webhook}_{event}_{created_ms:x}")
}

/// The event's number in the id of a message.
pub fn event_of(webhook: &str, id: &str) -> Option<i64> {
    let rest = id.strip_prefix("msg_")?.strip_prefix(webhook)?.strip_prefix('_')?;
    rest.split_once('_')?.0.parse().ok()
}

fn words(kinds: &[EventKind]) -> String {
    kinds.iter().map(|kind| kind.word()).collect::<Vec<_>>().join(" ")
}

fn word(state: DeliveryState) -> &'static str {
    match state {
        DeliveryState::Waiting => "waiting",
        DeliveryState::Sending => "sending",
        DeliveryState::Delivered => "delivered",
        DeliveryState::Dead => "dead",
    }
}

fn webhook(row: &AnyRow) -> Result<StoredWebhook, sqlx::Error> {
    let text = |column: &str| row.try_get::<String, _>(column);
    let time = |column: &str| row.try_get::<i64, _>(column).map(crate::clock::rfc3339);
    let failing: Option<i64> = row.try_get("failing_since_ms")?;
    let webhook = Webhook {
        id: text("id")?,
        url: text("url")?,
        events: text("events")?.split(' ').filter_map(EventKind::of).collect(),
        production: Some(text("production")?).filter(|name| !name.is_empty()),
        about: text("about")?,
        enabled: row.try_get::<i64, _>("enabled")? == 1,
        disabled_because: row.try_get("disabled_because")?,
        failing_since: failing.map(crate::clock::rfc3339),
        created_at: time("created_ms")?,
        updated_at: time("updated_ms")?,
    };
    Ok(StoredWebhook { webhook, updated_ms: row.try_get("updated_ms")? })
}

fn delivery(row: &AnyRow) -> Result<Delivery, sqlx::Error> {
    let decode = |column: &str, what: String| sqlx::Error::ColumnDecode {
        index: column.to_owned(),
        source: format!("{what:?} is not known").into(),
    };
    let (webhook, event): (String, i64) = (row.try_get("webhook")?, row.try_get("event")?);
    let created_ms: i64 = row.try_get("created_ms")?;
    let (kind, state): (String, String) = (row.try_get("kind")?, row.try_get("state")?);
    let due: Option<i64> = row.try_get("due_ms")?;
    let last: Option<i64> = row.try_get("last_ms")?;
    let known =
        [DeliveryState::Waiting, DeliveryState::Sending, DeliveryState::Delivered, DeliveryState::Dead];
    let state = known.into_iter().find(|one| word(*one) == state).ok_or_else(|| decode("state", state))?;
    let last_attempt = match last {
        None => None,
        Some(at_ms) => Some(Attempt {
            at: crate::clock::rfc3339(at_ms),
            status: row
                .try_get::<Option<i64>, _>("last_status")?
                .and_then(|status| u16::try_from(status).ok()),
            problem: row.try_get("last_problem")?,
            took_ms: row.try_get::<Option<i64>, _>("last_took_ms")?.unwrap_or(0).max(0) as u64,
        }),
    };
    Ok(Delivery {
        id: message_id(&webhook, event, created_ms),
        event: event.max(0) as u64,
        kind: EventKind::of(&kind).ok_or_else(|| decode("kind", kind))?,
        production: row.try_get("production")?,
        state,
        attempts: row.try_get::<i64, _>("attempts")?.max(0) as u64,
        created_at: crate::clock::rfc3339(created_ms),
        next_attempt_at: due.filter(|_| state == DeliveryState::Waiting).map(crate::clock::rfc3339),
        last_attempt,
    })
}
