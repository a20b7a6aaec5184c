//! The log of what happened: written with what happened, read by those who listen.

use std::sync::Arc;
use std::time::Duration;

use condyle_api::{Event, EventKind};
use sqlx::{Any, AnyConnection, Row as _, Transaction};
use tokio::sync::broadcast;

use super::{Engine, Store};

/// Events that are read at once.
const BATCH: i64 = 500;

/// Between two looks for what other processes wrote.
const LOOK: Duration = Duration::from_millis(500);

/// Where a listener begins.
#[derive(Debug)]
pub struct Subscription {
    /// What is still to come.
    pub live: broadcast::Receiver<Arc<Event>>,
    /// The last event that `live` will not bring.
    pub head: i64,
    /// The oldest event that is kept; nothing where none is.
    pub oldest: Option<i64>,
}

/// Adds an event. Its row in the counter orders transactions, so that ids and commits have the same order.
pub(crate) async fn append(
    connection: &mut AnyConnection,
    keep: i64,
    now_ms: i64,
    event: Event,
) -> Result<(), sqlx::Error> {
    let id: i64 =
        sqlx::query_scalar("UPDATE counters SET last = last + 1 WHERE name = 'events' RETURNING last")
            .fetch_one(&mut *connection)
            .await?;
    let event = Event { id: id.max(0) as u64, at: crate::clock::rfc3339(now_ms), ..event };
    let body = serde_json::to_string(&event).map_err(|error| sqlx::Error::Encode(Box::new(error)))?;
    sqlx::query("INSERT INTO events (id, kind, production, body, at_ms) VALUES ($1, $2, $3, $4, $5)")
        .bind(id)
        .bind(event.event.word())
        .bind(&event.production)
        .bind(body)
        .bind(now_ms)
        .execute(&mut *connection)
        .await?;
    super::outgoing::post(connection, &event, now_ms).await?;
    // Now and then, so that one write in many pays for it.
    if id % 64 == 0 {
        sqlx::query("DELETE FROM events WHERE id <= $1").bind(id - keep).execute(connection).await?;
    }
    Ok(())
}

/// An event about a production, before it has an id.
pub(crate) fn about(kind: EventKind, production: &str) -> Event {
    Event {
        id: 0,
        at: String::new(),
        event: kind,
        production: production.to_owned(),
        asset: None,
        label: None,
        number: None,
        verdict: None,
        verdict_before: None,
        reason: None,
        assets: None,
        revisions: None,
        webhook: None,
    }
}

impl Store {
    /// Events after `id`, up to and with `until`.
    pub async fn events(
        &self,
        after: i64,
        until: i64,
        production: Option<&str>,
    ) -> Result<Vec<Event>, sqlx::Error> {
        let rows: Vec<String> = sqlx::query_scalar(
            "SELECT body FROM events WHERE id > $1 AND id <= $2 AND ($3 = '' OR production = $3) ORDER BY id LIMIT $4",
        )
        .bind(after)
        .bind(until)
        .bind(production.unwrap_or(""))
        .bind(BATCH)
        .fetch_all(&self.pool)
        .await?;
        rows.iter()
            .map(|body| serde_json::from_str(body).map_err(|error| sqlx::Error::Decode(Box::new(error))))
            .collect()
    }

    /// Begins to listen: nothing between `head` and the first live event is lost or doubled.
    pub async fn subscribe(&self) -> Result<Subscription, sqlx::Error> {
        let mut sent = self.changes.sent().lock().await;
        let row = sqlx::query(
            "SELECT (SELECT last FROM counters WHERE name = 'events') AS last, (SELECT MIN(id) FROM events) AS oldest",
        )
        .fetch_one(&self.pool)
        .await?;
        if self.changes.live().receiver_count() == 0 {
            *sent = row.try_get("last")?;
        }
        if self.engine == Engine::Postgres && self.changes.watch() {
            tokio::spawn(self.clone().watch());
        }
        Ok(Subscription {
            live: self.changes.live().subscribe(),
            head: *sent,
            oldest: row.try_get("oldest")?,
        })
    }

    /// How many writes there were that answers depend on: while it stands still, what is remembered is true. Where
    /// several processes write, the database counts.
    pub async fn generation(&self) -> Result<u64, sqlx::Error> {
        match self.engine {
            Engine::Sqlite => Ok(self.changes.generation()),
            Engine::Postgres => {
                let last: i64 = sqlx::query_scalar("SELECT last FROM counters WHERE name = 'writes'")
                    .fetch_one(&self.pool)
                    .await?;
                Ok(last.max(0) as u64)
            }
        }
    }

    /// Commits a write that answers depend on: nothing that was remembered before holds any more, and listeners get
    /// what is new.
    pub(crate) async fn publish(
        &self,
        mut transaction: Transaction<'static, Any>,
    ) -> Result<(), sqlx::Error> {
        if self.engine == Engine::Postgres {
            sqlx::query("UPDATE counters SET last = last + 1 WHERE name = 'writes'")
                .execute(&mut *transaction)
                .await?;
        }
        transaction.commit().await?;
        self.changes.bump();
        self.changes.stirred().notify_one();
        if self.changes.live().receiver_count() > 0 {
            let store = self.clone();
            // On its own: a caller that goes away must not keep the news from others.
            tokio::spawn(async move {
                if let Err(error) = store.send_out().await {
                    tracing::warn!(%error, "events wait for the next write");
                }
            });
        }
        Ok(())
    }

    /// Sends what other processes wrote, as long as anybody listens.
    async fn watch(self) {
        loop {
            tokio::time::sleep(LOOK).await;
            if let Err(error) = self.send_out().await {
                tracing::warn!(%error, "events wait for the next look");
            }
            // Under the lock that `subscribe` holds: whoever comes now finds either this or no watch at all.
            let _sent = self.changes.sent().lock().await;
            if self.changes.live().receiver_count() == 0 || self.pool.is_closed() {
                self.changes.unwatch();
                return;
            }
        }
    }

    /// Reads what is new in the order of ids, and sends it. One at a time.
    async fn send_out(&self) -> Result<(), sqlx::Error> {
        let mut sent = self.changes.sent().lock().await;
        loop {
            let news = self.events(*sent, i64::MAX, None).await?;
            if news.is_empty() {
                return Ok(());
            }
            for event in news {
                *sent = event.id as i64;
                let _ = self.changes.live().send(Arc::new(event));
            }
        }
    }
}
