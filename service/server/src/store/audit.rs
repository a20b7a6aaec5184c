//! The log of what administrators did and of what was refused. SQL stands beside its method.

use condyle_api::AuditEntry;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row as _};

use super::Store;
use crate::access::{Act, Reach};

/// An entry that is to be written.
#[derive(Debug, Clone)]
pub struct Entry<'a> {
    action: &'a str,
    outcome: &'a str,
    who: Option<&'a str>,
    token: Option<&'a str>,
    production: Option<&'a str>,
    subject: Option<&'a str>,
    why: Option<&'a str>,
    address: Option<&'a str>,
    times: u64,
}

impl<'a> Entry<'a> {
    fn new(action: &'a str, outcome: &'a str) -> Self {
        Self {
            action,
            outcome,
            who: None,
            token: None,
            production: None,
            subject: None,
            why: None,
            address: None,
            times: 1,
        }
    }

    /// Something that is done in the transaction that writes the entry.
    pub fn done(action: &'a str) -> Self {
        Self::new(action, "done")
    }

    /// Something that follows.
    pub fn begun(action: &'a str) -> Self {
        Self::new(action, "begun")
    }

    /// Something that was refused so many times.
    pub fn refused(times: u64) -> Self {
        Self { times, ..Self::new("access.refused", "refused") }
    }

    /// What it was done to.
    #[must_use]
    pub fn on(self, subject: &'a str) -> Self {
        Self { subject: Some(subject), ..self }
    }

    /// The production it is about.
    #[must_use]
    pub fn of(self, production: &'a str) -> Self {
        Self { production: Some(production), ..self }
    }

    /// Who did it, from where, and why.
    #[must_use]
    pub fn by(self, act: &'a Act) -> Self {
        Self {
            who: act.who.as_deref(),
            token: act.token.as_deref(),
            why: act.why.as_deref(),
            address: act.address.as_deref(),
            ..self
        }
    }
}

/// What to list.
#[derive(Debug, Clone, Default)]
pub struct AuditFilter {
    /// Only this action.
    pub action: Option<String>,
    /// Only what this token did.
    pub token: Option<String>,
    /// Only what is about this production.
    pub production: Option<String>,
    /// Only this outcome.
    pub outcome: Option<String>,
    /// Not before this time, milliseconds since the epoch.
    pub since_ms: Option<i64>,
    /// Before this time.
    pub until_ms: Option<i64>,
    /// Below this entry.
    pub below: Option<i64>,
    /// At most this many.
    pub limit: u32,
}

/// Adds an entry, and now and then removes those beyond the bound.
pub(super) async fn append(
    connection: &mut AnyConnection,
    keep: i64,
    now_ms: i64,
    entry: &Entry<'_>,
) -> Result<i64, sqlx::Error> {
    let id: i64 =
        sqlx::query_scalar("UPDATE counters SET last = last + 1 WHERE name = 'audit' RETURNING last")
            .fetch_one(&mut *connection)
            .await?;
    sqlx::query(
        "INSERT INTO audit (id, at_ms, action, outcome, who, token, production, subject, why, address, times) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(id)
    .bind(now_ms)
    .bind(entry.action)
    .bind(entry.outcome)
    .bind(entry.who)
    .bind(entry.token)
    .bind(entry.production)
    .bind(entry.subject)
    .bind(entry.why)
    .bind(entry.address)
    .bind(entry.times as i64)
    .execute(&mut *connection)
    .await?;
    if id % 64 == 0 {
        sqlx::query("DELETE FROM audit WHERE id <= $1").bind(id - keep).execute(connection).await?;
    }
    Ok(id)
}

impl Store {
    /// Writes entries down. No answer that is remembered tells them, so none is made stale by it.
    pub async fn audit(&self, now_ms: i64, entries: &[Entry<'_>]) -> Result<(), sqlx::Error> {
        let mut transaction = self.begin().await?;
        for entry in entries {
            append(&mut transaction, self.changes().audit_keep(), now_ms, entry).await?;
        }
        transaction.commit().await
    }

    /// Writes down that something begins; its entry comes back.
    pub async fn audit_begun(&self, now_ms: i64, entry: &Entry<'_>) -> Result<i64, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let id = append(&mut transaction, self.changes().audit_keep(), now_ms, entry).await?;
        transaction.commit().await?;
        Ok(id)
    }

    /// Writes down how what began ended.
    pub async fn audit_ended(&self, id: i64, outcome: &str) -> Result<(), sqlx::Error> {
        let mut transaction = self.begin().await?;
        sqlx::query("UPDATE audit SET outcome = $1 WHERE id = $2")
            .bind(outcome)
            .bind(id)
            .execute(&mut *transaction)
            .await?;
        transaction.commit().await
    }

    /// Entries, the newest first.
    pub async fn audit_entries(
        &self,
        filter: &AuditFilter,
        reach: &Reach,
    ) -> Result<Vec<AuditEntry>, sqlx::Error> {
        let within = match reach {
            Reach::All => String::new(),
            Reach::Only(names) => {
                let places: Vec<String> = (9..9 + names.len()).map(|at| format!("${at}")).collect();
                format!("AND production IN ({}) ", places.join(", "))
            }
        };
        let sql = format!(
            "SELECT id, at_ms, action, outcome, who, token, production, subject, why, address, times FROM audit \
             WHERE id < $1 AND ($2 = '' OR action = $2) AND ($3 = '' OR token = $3) \
             AND ($4 = '' OR production = $4) AND ($5 = '' OR outcome = $5) AND at_ms >= $6 AND at_ms < $7 \
             {within}ORDER BY id DESC LIMIT $8"
        );
        let mut query = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(filter.below.unwrap_or(i64::MAX))
            .bind(filter.action.as_deref().unwrap_or(""))
            .bind(filter.token.as_deref().unwrap_or(""))
            .bind(filter.production.as_deref().unwrap_or(""))
            .bind(filter.outcome.as_deref().unwrap_or(""))
            .bind(filter.since_ms.unwrap_or(i64::MIN))
            .bind(filter.until_ms.unwrap_or(i64::MAX))
            .bind(i64::from(filter.limit));
        if let Reach::Only(names) = reach {
            for name in names {
                query = query.bind(name);
            }
        }
        query.fetch_all(&self.pool).await?.iter().map(read).collect()
    }
}

fn read(row: &AnyRow) -> Result<AuditEntry, sqlx::Error> {
    let number = |column: &str| row.try_get::<i64, _>(column).map(|n| n.max(0) as u64);
    Ok(AuditEntry {
        id: number("id")?,
        at: crate::clock::rfc3339(row.try_get("at_ms")?),
        action: row.try_get("action")?,
        outcome: row.try_get("outcome")?,
        who: row.try_get("who")?,
        token: row.try_get("token")?,
        production: row.try_get("production")?,
        subject: row.try_get("subject")?,
        why: row.try_get("why")?,
        address: row.try_get("address")?,
        count: number("times")?,
    })
}
