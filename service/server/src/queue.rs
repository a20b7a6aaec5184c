//! The durable queue: jobs in the same database as what they make, so that a job and its effect are one transaction.
//! SQL stands beside its method. What takes a job is in [`lease`].

pub mod campaign;
pub mod lease;

use condyle_api::{Job, JobKind, JobState, Priority, Progress};
use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AnyPool, Row as _};

use crate::store::Store;

/// A job to be queued.
#[derive(Debug, Clone)]
pub struct NewJob {
    /// Its id; offered twice, it is one job.
    pub id: String,
    /// What it does.
    pub kind: JobKind,
    /// What goes first.
    pub priority: Priority,
    /// What is to be done, JSON.
    pub request: String,
    /// Bytes of its input.
    pub bytes: u64,
    /// Digest of its input.
    pub input_sha256: String,
    /// Production, asset and label, where it makes a revision.
    pub address: Option<[String; 3]>,
    /// Whether no other job may be on its way to the same label.
    pub alone: bool,
    /// Digests of the blobs that it needs.
    pub blobs: Vec<String>,
    /// The token that made it.
    pub token: Option<String>,
}

/// How many jobs may wait.
#[derive(Debug, Clone, Copy)]
pub struct Room {
    /// Jobs; the last tenth is for gates.
    pub jobs: u64,
    /// Bytes of their inputs; the last tenth is for gates.
    pub bytes: u64,
}

/// What became of an offer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Offered {
    /// It is queued.
    New,
    /// This job does the same already.
    Same(String),
    /// This job is on its way to the same label with other bytes.
    Taken(String),
    /// There is no room.
    Full,
}

/// What became of a cancellation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Cancelled {
    /// It has no effect any more.
    Now,
    /// It was over before.
    Over,
    /// There is no such job.
    Missing,
}

/// A job as stored.
#[derive(Debug, Clone)]
pub struct StoredJob {
    /// The wire form.
    pub job: Job,
    /// How it ended.
    pub outcome: Option<Outcome>,
    /// Production, asset and label, where it makes a revision.
    pub address: Option<[String; 3]>,
}

/// A report that belongs to no revision.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptReport {
    /// The report, JSON.
    pub report: String,
    /// What was to be done, JSON.
    pub request: String,
    /// Whether the job holds the blobs of its input.
    pub holds_input: bool,
    /// Whether it tells of the skeleton that the model has of its own, read as a plan.
    pub own_skeleton: bool,
}

/// How a job ended well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// A revision was stored.
    Created,
    /// The revision was there with the same bytes.
    Kept,
    /// A report was made.
    Report,
}

impl Outcome {
    fn word(self) -> &'static str {
        match self {
            Self::Created => "created",
            Self::Kept => "kept",
            Self::Report => "report",
        }
    }
}

/// The queue.
#[derive(Debug, Clone)]
pub struct Queue {
    pool: AnyPool,
    /// A job that makes a revision ends in the transaction that stores it.
    store: Store,
}

const COLUMNS: &str = "id, kind, priority, state, due_ms, attempts, steps_done, steps, outcome, result, problem, \
                       production, asset, label, created_ms, updated_ms";

impl Queue {
    /// The queue in a database.
    pub(crate) fn new(pool: AnyPool, store: Store) -> Self {
        Self { pool, store }
    }

    /// What would become of an offer now, where that is not that it is queued: so that nobody writes the blobs of a job
    /// that is refused.
    pub async fn foresee(&self, new: &NewJob, room: Room) -> Result<Option<Offered>, sqlx::Error> {
        look(&mut *self.pool.acquire().await?, new, room).await
    }

    /// Queues a job durably.
    pub async fn offer(&self, new: &NewJob, room: Room, now_ms: i64) -> Result<Offered, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        if let Some(other) = look(&mut transaction, new, room).await? {
            return Ok(other);
        }
        let address = new.address.as_ref();
        sqlx::query(
            "INSERT INTO jobs (id, kind, priority, state, due_ms, attempts, steps_done, steps, request, bytes, \
             input_sha256, production, asset, label, created_ms, updated_ms, token) \
             VALUES ($1, $2, $3, 'queued', $4, 0, 0, 0, $5, $6, $7, $8, $9, $10, $4, $4, $11)",
        )
        .bind(&new.id)
        .bind(word(&new.kind))
        .bind(rank(new.priority))
        .bind(now_ms)
        .bind(&new.request)
        .bind(new.bytes as i64)
        .bind(&new.input_sha256)
        .bind(address.map(|a| &a[0]))
        .bind(address.map(|a| &a[1]))
        .bind(address.map(|a| &a[2]))
        .bind(&new.token)
        .execute(&mut *transaction)
        .await?;
        for sha256 in &new.blobs {
            sqlx::query("INSERT INTO job_blobs (job, sha256) VALUES ($1, $2) ON CONFLICT DO NOTHING")
                .bind(&new.id)
                .bind(sha256)
                .execute(&mut *transaction)
                .await?;
        }
        transaction.commit().await?;
        Ok(Offered::New)
    }

    /// A job.
    pub async fn get(&self, id: &str) -> Result<Option<StoredJob>, sqlx::Error> {
        let sql = format!("SELECT {COLUMNS} FROM jobs WHERE id = $1");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_optional(&self.pool).await?;
        row.map(|row| read(&row)).transpose()
    }

    /// The production that a job is about, and the token that made it.
    pub async fn belongs(&self, id: &str) -> Result<Option<(Option<String>, Option<String>)>, sqlx::Error> {
        sqlx::query_as(
            "SELECT COALESCE(j.production, r.production), j.token FROM jobs j \
             LEFT JOIN recheck_results r ON r.job = j.id WHERE j.id = $1",
        )
        .bind(id)
        .fetch_optional(&self.pool)
        .await
    }

    /// The report that a job keeps.
    pub async fn report(&self, id: &str) -> Result<Option<KeptReport>, sqlx::Error> {
        let found: Option<(Option<String>, String, i64)> = sqlx::query_as(
            "SELECT report, request, (SELECT COUNT(*) FROM job_blobs WHERE job = jobs.id) FROM jobs WHERE id = $1",
        )
        .bind(id)
        .fetch_optional(&self.pool)
        .await?;
        Ok(found.and_then(|(report, request, blobs)| {
            Some(KeptReport { report: report?, request, holds_input: blobs > 0, own_skeleton: false })
        }))
    }

    /// Cancels a job that is not over: whoever runs it can no longer finish it.
    pub async fn cancel(&self, id: &str, now_ms: i64) -> Result<Cancelled, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let done = sqlx::query(
            "UPDATE jobs SET state = 'cancelled', due_ms = NULL, owner = NULL, updated_ms = $2 \
             WHERE id = $1 AND state IN ('queued', 'running', 'failed', 'paused')",
        )
        .bind(id)
        .bind(now_ms)
        .execute(&mut *transaction)
        .await?;
        if done.rows_affected() == 1 {
            sqlx::query("DELETE FROM job_blobs WHERE job = $1").bind(id).execute(&mut *transaction).await?;
            transaction.commit().await?;
            return Ok(Cancelled::Now);
        }
        let state: Option<String> = sqlx::query_scalar("SELECT state FROM jobs WHERE id = $1")
            .bind(id)
            .fetch_optional(&mut *transaction)
            .await?;
        Ok(match state.as_deref() {
            None => Cancelled::Missing,
            Some("cancelled") => Cancelled::Now,
            Some(_) => Cancelled::Over,
        })
    }

    /// Forgets what was over before a time.
    pub async fn forget(&self, before_ms: i64) -> Result<u64, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        sqlx::query(
            "DELETE FROM job_blobs WHERE job IN (SELECT id FROM jobs WHERE state IN ('done', 'dead', 'cancelled') \
             AND updated_ms < $1 AND campaign IS NULL)",
        )
        .bind(before_ms)
        .execute(&mut *transaction)
        .await?;
        let gone = sqlx::query(
            "DELETE FROM jobs WHERE state IN ('done', 'dead', 'cancelled') AND updated_ms < $1 AND campaign IS NULL",
        )
        .bind(before_ms)
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        Ok(gone.rows_affected())
    }

    /// Lets go of inputs of kept reports, the oldest first, until the rest has no more than so many bytes.
    pub async fn let_go(&self, most_bytes: u64) -> Result<u64, sqlx::Error> {
        let gone = sqlx::query(
            "DELETE FROM job_blobs WHERE job IN (SELECT id FROM (SELECT id, \
             CAST(SUM(bytes) OVER (ORDER BY updated_ms DESC, id DESC) AS BIGINT) AS held FROM jobs \
             WHERE state = 'done' AND id IN (SELECT job FROM job_blobs)) AS kept WHERE held > $1)",
        )
        .bind(i64::try_from(most_bytes).unwrap_or(i64::MAX))
        .execute(&self.pool)
        .await?;
        Ok(gone.rows_affected())
    }
}

/// Whether there is the job already, another one in its way, or no room.
async fn look(
    connection: &mut AnyConnection,
    new: &NewJob,
    room: Room,
) -> Result<Option<Offered>, sqlx::Error> {
    let twice: Option<String> = sqlx::query_scalar("SELECT id FROM jobs WHERE id = $1")
        .bind(&new.id)
        .fetch_optional(&mut *connection)
        .await?;
    if let Some(id) = twice {
        return Ok(Some(Offered::Same(id)));
    }
    if let Some([production, asset, label]) = new.address.as_ref().filter(|_| new.alone) {
        let other: Option<(String, String)> = sqlx::query_as(
            "SELECT id, input_sha256 FROM jobs WHERE production = $1 AND asset = $2 AND label = $3 \
             AND state IN ('queued', 'running', 'failed') ORDER BY created_ms, id LIMIT 1",
        )
        .bind(production)
        .bind(asset)
        .bind(label)
        .fetch_optional(&mut *connection)
        .await?;
        if let Some((id, sha256)) = other {
            let same = sha256 == new.input_sha256;
            return Ok(Some(if same { Offered::Same(id) } else { Offered::Taken(id) }));
        }
    }
    // Campaigns bring their own bound.
    let (jobs, bytes): (i64, i64) = sqlx::query_as(
        "SELECT COUNT(*), CAST(COALESCE(SUM(bytes), 0) AS BIGINT) FROM jobs \
         WHERE state IN ('queued', 'running', 'failed') AND campaign IS NULL",
    )
    .fetch_one(connection)
    .await?;
    let share = |most: u64| match new.priority {
        Priority::Gate => most,
        Priority::Bulk => most - most / 10,
    };
    let full =
        jobs as u64 >= share(room.jobs) || (bytes as u64).saturating_add(new.bytes) > share(room.bytes);
    Ok(full.then_some(Offered::Full))
}

/// The word that an enumeration of the wire is stored as.
fn word(value: &impl Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

fn unword<T: DeserializeOwned>(column: &str, text: String) -> Result<T, sqlx::Error> {
    serde_json::from_value(serde_json::Value::String(text))
        .map_err(|error| sqlx::Error::ColumnDecode { index: column.to_owned(), source: Box::new(error) })
}

fn rank(priority: Priority) -> i64 {
    match priority {
        Priority::Gate => 0,
        Priority::Bulk => 1,
    }
}

fn read(row: &AnyRow) -> Result<StoredJob, sqlx::Error> {
    let number = |column: &str| row.try_get::<i64, _>(column).map(|n| n.max(0) as u64);
    let text = |column: &str| row.try_get::<Option<String>, _>(column);
    let time = |column: &str| row.try_get::<i64, _>(column).map(crate::clock::rfc3339);
    let state: JobState = unword("state", row.try_get("state")?)?;
    let due: Option<i64> = row.try_get("due_ms")?;
    let problem = text("problem")?.map(|text| {
        serde_json::from_str(&text)
            .map_err(|e| sqlx::Error::ColumnDecode { index: "problem".into(), source: Box::new(e) })
    });
    let address = match (text("production")?, text("asset")?, text("label")?) {
        (Some(production), Some(asset), Some(label)) => Some([production, asset, label]),
        _ => None,
    };
    let outcome = text("outcome")?;
    let outcome = [Outcome::Created, Outcome::Kept, Outcome::Report]
        .into_iter()
        .find(|one| Some(one.word()) == outcome.as_deref());
    let job = Job {
        id: row.try_get("id")?,
        kind: unword("kind", row.try_get("kind")?)?,
        priority: if row.try_get::<i64, _>("priority")? == 0 { Priority::Gate } else { Priority::Bulk },
        state,
        attempts: number("attempts")?,
        progress: Progress { done: number("steps_done")?, total: number("steps")? },
        created_at: time("created_ms")?,
        updated_at: time("updated_ms")?,
        retry_at: due.filter(|_| state == JobState::Failed).map(crate::clock::rfc3339),
        result: text("result")?,
        problem: problem.transpose()?,
    };
    Ok(StoredJob { job, outcome, address })
}
