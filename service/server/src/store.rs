//! Revisions in the database. SQL stands beside its method; what differs between the engines is in `engine.rs`.

mod archive;
mod assets;
mod audit;
mod copy;
mod engine;
pub(crate) mod events;
mod index;
mod keys;
pub(crate) mod outgoing;
mod policy;
pub(crate) mod rejudge;
mod remove;
mod settle;
mod summary;
mod tokens;
mod versions;
mod waivers;

use std::path::Path;
use std::sync::{Arc, Mutex};

use condyle_api::{EventKind, Revision};
use condyle_core::report::Counts;
use sqlx::any::AnyRow;
use sqlx::{Any, AnyConnection, AnyPool, Row as _, Transaction};
use url::Url;

pub use archive::{Beside, ImportConflict, Imported, Leaving};
pub use assets::AssetFilter;
pub use audit::{AuditFilter, Entry};
pub use engine::Engine;
pub use events::Subscription;
pub use keys::{Answer, KeyState};
pub use policy::{Named, StoredReference};
pub use remove::Removed;
pub use summary::Span;
pub use tokens::{Added, StoredToken};
pub use versions::Kept;

use crate::changes::Changes;
use crate::config::Config;

/// A revision with what is not on the wire.
#[derive(Debug, Clone)]
pub struct Stored {
    /// The wire form.
    pub revision: Revision,
    /// The input's files, JSON: a list of `InputFile`.
    pub manifest: String,
    /// The report, JSON as it was first sent.
    pub report: String,
    /// Digest of the report.
    pub report_sha256: String,
    /// When, milliseconds since the epoch.
    pub submitted_ms: i64,
}

/// How a new revision went in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Inserted {
    /// It is stored.
    New,
    /// Somebody else stored that label meanwhile.
    Taken,
}

/// The database.
#[derive(Debug, Clone)]
pub struct Store {
    pool: AnyPool,
    engine: Engine,
    changes: Changes,
    /// Profiles and references, with the count of writes when they were read.
    named: Arc<Mutex<Option<(u64, Arc<Named>)>>>,
}

const SUMMARY: &str = "production, asset, label, number, input_sha256, input_bytes, verdict, errors, warnings, notes, \
                       waived, profile, catalogue, submitted_ms";

impl Store {
    /// Opens the embedded file, creating and migrating it.
    pub async fn open(file: &Path) -> Result<Self, sqlx::Error> {
        Self::with(engine::sqlite(file).await?, Engine::Sqlite).await
    }

    /// The database that a configuration names.
    ///
    /// # Errors
    /// Why it cannot be used, in words without a password.
    pub async fn configured(config: &Config) -> Result<Self, String> {
        let opened = match config.store.address().map_err(|error| error.to_string())? {
            None => Self::open(&config.server.data_dir.join("condyle.sqlite")).await,
            Some(url) => Self::connect(&url, config.store.connections).await,
        };
        opened.map_err(|error| error.to_string())
    }

    /// Connects to a PostgreSQL, migrating what is there; other processes may use it too.
    pub async fn connect(url: &Url, connections: u32) -> Result<Self, sqlx::Error> {
        Self::with(engine::postgres(url, connections).await?, Engine::Postgres).await
    }

    async fn with(pool: AnyPool, engine: Engine) -> Result<Self, sqlx::Error> {
        let store = Self { pool, engine, changes: Changes::default(), named: Arc::default() };
        store.fill_index().await?;
        Ok(store)
    }

    /// Which engine it is.
    pub fn engine(&self) -> Engine {
        self.engine
    }

    /// Begins a transaction that writes what it reads: no other of its kind runs beside it.
    pub(crate) async fn begin(&self) -> Result<Transaction<'static, Any>, sqlx::Error> {
        self.engine.begin(&self.pool).await
    }

    /// What every write touches.
    pub fn changes(&self) -> &Changes {
        &self.changes
    }

    /// Whether the database can be written and read.
    pub async fn ready(&self, now_ms: i64) -> Result<(), sqlx::Error> {
        sqlx::query(
            "INSERT INTO readiness (id, at_ms) VALUES (1, $1) ON CONFLICT (id) DO UPDATE SET at_ms = $1",
        )
        .bind(now_ms)
        .execute(&self.pool)
        .await?;
        sqlx::query("SELECT 1 FROM revisions LIMIT 1").fetch_optional(&self.pool).await.map(|_| ())
    }

    /// Writes out what is in the log and closes.
    pub async fn close(&self) {
        self.pool.close().await;
    }

    /// A revision by its label.
    pub async fn revision(
        &self,
        production: &str,
        asset: &str,
        label: &str,
    ) -> Result<Option<Revision>, sqlx::Error> {
        let sql =
            format!("SELECT {SUMMARY} FROM revisions WHERE production = $1 AND asset = $2 AND label = $3");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(production)
            .bind(asset)
            .bind(label)
            .fetch_optional(&self.pool)
            .await?;
        row.map(|row| summary(&row)).transpose()
    }

    /// A revision with its report.
    pub async fn whole(
        &self,
        production: &str,
        asset: &str,
        label: &str,
    ) -> Result<Option<Stored>, sqlx::Error> {
        let sql = format!(
            "SELECT {SUMMARY}, manifest, report_sha256, body FROM revisions JOIN reports ON sha256 = report_sha256 \
             WHERE production = $1 AND asset = $2 AND label = $3"
        );
        let row = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(production)
            .bind(asset)
            .bind(label)
            .fetch_optional(&self.pool)
            .await?;
        row.map(|row| {
            Ok(Stored {
                revision: summary(&row)?,
                manifest: row.try_get("manifest")?,
                report: row.try_get("body")?,
                report_sha256: row.try_get("report_sha256")?,
                submitted_ms: row.try_get("submitted_ms")?,
            })
        })
        .transpose()
    }

    /// Revisions of an asset, the newest first, below a number.
    pub async fn revisions(
        &self,
        production: &str,
        asset: &str,
        below: Option<u64>,
        limit: u32,
    ) -> Result<Vec<Revision>, sqlx::Error> {
        let sql = format!(
            "SELECT {SUMMARY} FROM revisions WHERE production = $1 AND asset = $2 AND number < $3 \
             ORDER BY number DESC LIMIT $4"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(production)
            .bind(asset)
            .bind(below.map_or(i64::MAX, |number| i64::try_from(number).unwrap_or(i64::MAX)))
            .bind(i64::from(limit))
            .fetch_all(&self.pool)
            .await?;
        rows.iter().map(summary).collect()
    }

    /// The productions that have a revision with this input.
    pub async fn knows_input(&self, sha256: &str) -> Result<Vec<String>, sqlx::Error> {
        sqlx::query_scalar("SELECT DISTINCT production FROM revisions WHERE input_sha256 = $1")
            .bind(sha256)
            .fetch_all(&self.pool)
            .await
    }

    /// The queue in this database.
    pub fn queue(&self) -> crate::queue::Queue {
        crate::queue::Queue::new(self.pool.clone(), self.clone())
    }

    /// The messages in this database.
    pub fn outbox(&self) -> crate::webhooks::outbox::Outbox {
        crate::webhooks::outbox::Outbox::new(self.pool.clone(), self.clone())
    }

    /// Stores a revision under the next number; with `replacing`, instead of the revision of that number.
    pub async fn insert(&self, new: &Stored, replacing: Option<u64>) -> Result<Inserted, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let inserted = self.insert_in(&mut transaction, new, replacing).await?;
        if inserted == Inserted::New {
            self.publish(transaction).await?;
        }
        Ok(inserted)
    }

    /// The same in a transaction that holds the write lock and ends elsewhere: unless the answer is `New`, it must be
    /// given up, and else be ended by [`Store::publish`].
    pub(crate) async fn insert_in(
        &self,
        transaction: &mut AnyConnection,
        new: &Stored,
        replacing: Option<u64>,
    ) -> Result<Inserted, sqlx::Error> {
        let index = index::Index::of(&new.report, &new.manifest)?;
        let r = &new.revision;
        let existing: Option<(i64, String)> = sqlx::query_as(
            "SELECT number, report_sha256 FROM revisions WHERE production = $1 AND asset = $2 AND label = $3",
        )
        .bind(&r.production)
        .bind(&r.asset)
        .bind(&r.label)
        .fetch_optional(&mut *transaction)
        .await?;
        if existing.as_ref().map(|(number, _)| *number as u64) != replacing {
            return Ok(Inserted::Taken);
        }
        // Before the old row goes, so that no number comes twice.
        let number: i64 = sqlx::query_scalar(
            "SELECT COALESCE(MAX(number), 0) + 1 FROM revisions WHERE production = $1 AND asset = $2",
        )
        .bind(&r.production)
        .bind(&r.asset)
        .fetch_one(&mut *transaction)
        .await?;
        if let Some((number, report)) = &existing {
            let gone =
                sqlx::query("DELETE FROM revisions WHERE production = $1 AND asset = $2 AND number = $3")
                    .bind(&r.production)
                    .bind(&r.asset)
                    .bind(number)
                    .execute(&mut *transaction)
                    .await?;
            if gone.rows_affected() != 1 {
                return Ok(Inserted::Taken);
            }
            // What only the replaced one held is swept later: the new one may hold it too.
            index::remove(transaction, (&r.production, &r.asset, *number)).await?;
            drop_report(transaction, report).await?;
        }
        write_revision(transaction, new, number, &index).await?;
        let at = new.submitted_ms;
        let settled = settle::asset(transaction, &r.production, &r.asset, at).await?;
        settle::day(transaction, &r.production, at, settled.into()).await?;
        let mut event = events::about(EventKind::RevisionStored, &r.production);
        event.asset = Some(r.asset.clone());
        event.label = Some(r.label.clone());
        event.number = Some(number.max(0) as u64);
        event.verdict = Some(r.verdict);
        let changed = settled.changed().map(|(before, now)| {
            let mut event = event.clone();
            event.event = EventKind::VerdictChanged;
            event.verdict_before = Some(before);
            event.verdict = Some(now);
            event
        });
        for event in [Some(event), changed].into_iter().flatten() {
            events::append(transaction, self.changes.keep(), at, event).await?;
        }
        Ok(Inserted::New)
    }
}

/// Writes a revision's rows under a number.
async fn write_revision(
    connection: &mut AnyConnection,
    new: &Stored,
    number: i64,
    index: &index::Index,
) -> Result<(), sqlx::Error> {
    let r = &new.revision;
    sqlx::query("INSERT INTO reports (sha256, body) VALUES ($1, $2) ON CONFLICT (sha256) DO NOTHING")
        .bind(&new.report_sha256)
        .bind(&new.report)
        .execute(&mut *connection)
        .await?;
    let sql = format!(
        "INSERT INTO revisions ({SUMMARY}, manifest, report_sha256) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16)"
    );
    sqlx::query(sqlx::AssertSqlSafe(sql))
        .bind(&r.production)
        .bind(&r.asset)
        .bind(&r.label)
        .bind(number)
        .bind(&r.input_sha256)
        .bind(r.input_bytes as i64)
        .bind(r.verdict.word())
        .bind(r.counts.error as i64)
        .bind(r.counts.warning as i64)
        .bind(r.counts.note as i64)
        .bind(r.counts.waived as i64)
        .bind(&r.profile)
        .bind(&r.catalogue)
        .bind(new.submitted_ms)
        .bind(&new.manifest)
        .bind(&new.report_sha256)
        .execute(&mut *connection)
        .await?;
    index::write(connection, (&r.production, &r.asset, number), index).await
}

/// Removes a report that no revision has any more.
async fn drop_report(connection: &mut AnyConnection, sha256: &str) -> Result<(), sqlx::Error> {
    sqlx::query(
        "DELETE FROM reports WHERE sha256 = $1 AND NOT EXISTS (SELECT 1 FROM revisions WHERE report_sha256 = $1)",
    )
    .bind(sha256)
    .execute(connection)
    .await
    .map(|_| ())
}

fn summary(row: &AnyRow) -> Result<Revision, sqlx::Error> {
    let number = |column: &str| row.try_get::<i64, _>(column).map(|n| n.max(0) as u64);
    let text = |column: &str| row.try_get::<String, _>(column);
    let (production, asset, label) = (text("production")?, text("asset")?, text("label")?);
    let submitted_ms: i64 = row.try_get("submitted_ms")?;
    let verdict = settle::verdict(&text("verdict")?);
    Ok(Revision {
        number: number("number")?,
        input_sha256: text("input_sha256")?,
        input_bytes: number("input_bytes")?,
        verdict,
        counts: Counts {
            error: number("errors")?,
            warning: number("warnings")?,
            note: number("notes")?,
            waived: number("waived")?,
        },
        profile: text("profile")?,
        catalogue: text("catalogue")?,
        submitted_at: crate::clock::rfc3339(submitted_ms),
        report_url: format!("/v1/assets/{production}/{asset}/revisions/{label}/report"),
        production,
        asset,
        label,
    })
}
