//! A production out of the database, and into it: all of it or nothing.

use std::collections::BTreeSet;
use std::path::Path;

use condyle_api::{EventKind, TrendDay};
use sqlx::Row as _;

use super::audit::{self, Entry};
use super::{Store, Stored, events, index, policy, settle, waivers, write_revision};
use crate::access::Act;

/// What came in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Imported {
    /// Assets that got something.
    pub assets: u64,
    /// Revisions that were not there.
    pub stored: u64,
    /// Revisions that were there already, the same.
    pub unchanged: u64,
    /// Whether the policy came in: it does only where the production has none.
    pub policy: bool,
}

/// Why nothing came in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImportConflict {
    /// The asset.
    pub asset: String,
    /// The label.
    pub label: String,
    /// What is there.
    pub why: &'static str,
}

/// A revision on its way out; its report is named by digest.
#[derive(Debug, Clone)]
pub struct Leaving {
    /// The asset.
    pub asset: String,
    /// The label.
    pub label: String,
    /// Its number.
    pub number: u64,
    /// Digest of the input.
    pub input_sha256: String,
    /// The input's files, JSON.
    pub manifest: String,
    /// Digest of the report.
    pub report_sha256: String,
    /// Bytes of the report.
    pub report_bytes: u64,
    /// When it was stored, milliseconds since the epoch.
    pub submitted_ms: i64,
}

/// What comes into a production beside its revisions; what it has stays.
#[derive(Debug, Clone, Copy)]
pub struct Beside<'a> {
    /// What it agreed on, JSON.
    pub policy: Option<&'a str>,
    /// Its waivers, JSON.
    pub waivers: Option<&'a str>,
    /// What days left behind.
    pub days: &'a [TrendDay],
}

impl Store {
    /// All revisions of a production as they are at one moment.
    pub async fn leaving(&self, production: &str) -> Result<Vec<Leaving>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT asset, label, number, input_sha256, manifest, report_sha256, \
             CAST(OCTET_LENGTH(body) AS BIGINT) AS report_bytes, submitted_ms FROM revisions \
             JOIN reports ON sha256 = report_sha256 WHERE production = $1 ORDER BY asset, number",
        )
        .bind(production)
        .fetch_all(&self.pool)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Leaving {
                    asset: row.try_get("asset")?,
                    label: row.try_get("label")?,
                    number: row.try_get::<i64, _>("number")?.max(0) as u64,
                    input_sha256: row.try_get("input_sha256")?,
                    manifest: row.try_get("manifest")?,
                    report_sha256: row.try_get("report_sha256")?,
                    report_bytes: row.try_get::<i64, _>("report_bytes")?.max(0) as u64,
                    submitted_ms: row.try_get("submitted_ms")?,
                })
            })
            .collect()
    }

    /// A report by its digest.
    pub async fn report_body(&self, sha256: &str) -> Result<Option<String>, sqlx::Error> {
        sqlx::query_scalar("SELECT body FROM reports WHERE sha256 = $1")
            .bind(sha256)
            .fetch_optional(&self.pool)
            .await
    }

    /// Stores revisions with the numbers they bring, in one transaction. Their reports lie in `spool`, by digest.
    pub async fn import(
        &self,
        production: &str,
        revisions: Vec<Stored>,
        spool: &Path,
        beside: Beside<'_>,
        act: &Act,
        now_ms: i64,
    ) -> Result<Result<Imported, ImportConflict>, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let mut done = Imported::default();
        let mut assets = BTreeSet::new();
        for mut new in revisions {
            let number = new.revision.number as i64;
            let (asset, label) = (new.revision.asset.clone(), new.revision.label.clone());
            let there = sqlx::query(
                "SELECT label, number, input_sha256, report_sha256 FROM revisions \
                 WHERE production = $1 AND asset = $2 AND (label = $3 OR number = $4)",
            )
            .bind(production)
            .bind(&asset)
            .bind(&label)
            .bind(number)
            .fetch_all(&mut *transaction)
            .await?;
            let same = |row: &sqlx::any::AnyRow| -> Result<bool, sqlx::Error> {
                Ok(row.try_get::<String, _>("label")? == label
                    && row.try_get::<i64, _>("number")? == number
                    && row.try_get::<String, _>("input_sha256")? == new.revision.input_sha256
                    && row.try_get::<String, _>("report_sha256")? == new.report_sha256)
            };
            match there.as_slice() {
                [] => {}
                [row] if same(row)? => {
                    done.unchanged += 1;
                    continue;
                }
                _ => {
                    transaction.rollback().await?;
                    let why = "the production holds another revision under its label or its number";
                    return Ok(Err(ImportConflict { asset, label, why }));
                }
            }
            new.report = tokio::fs::read_to_string(spool.join(&new.report_sha256)).await?;
            let index = index::Index::of(&new.report, &new.manifest)?;
            production.clone_into(&mut new.revision.production);
            write_revision(&mut transaction, &new, number, &index).await?;
            assets.insert(asset);
            done.stored += 1;
        }
        for asset in &assets {
            settle::asset(&mut transaction, production, asset, now_ms).await?;
        }
        done.assets = assets.len() as u64;
        for day in beside.days {
            sqlx::query(
                "INSERT INTO days (production, day, pass, warn, fail, stored, better, worse) \
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (production, day) DO NOTHING",
            )
            .bind(production)
            .bind(&day.day)
            .bind(day.pass as i64)
            .bind(day.warn as i64)
            .bind(day.fail as i64)
            .bind(day.stored as i64)
            .bind(day.better as i64)
            .bind(day.worse as i64)
            .execute(&mut *transaction)
            .await?;
        }
        if done.stored > 0 {
            let happened = settle::Happened { stored: done.stored as i64, ..settle::Happened::default() };
            settle::day(&mut transaction, production, now_ms, happened).await?;
        }
        if let Some(agreed) = beside.policy {
            let there: Option<String> = sqlx::query_scalar("SELECT body FROM policies WHERE production = $1")
                .bind(production)
                .fetch_optional(&mut *transaction)
                .await?;
            if there.is_none() {
                policy::write_policy(&mut transaction, production, agreed, act, now_ms).await?;
                let event = events::about(EventKind::PolicyChanged, production);
                events::append(&mut transaction, self.changes.keep(), now_ms, event).await?;
                done.policy = true;
            }
        }
        if let Some(list) = beside.waivers {
            let there: Option<String> = sqlx::query_scalar("SELECT body FROM waivers WHERE production = $1")
                .bind(production)
                .fetch_optional(&mut *transaction)
                .await?;
            if there.is_none() {
                waivers::write_waivers(&mut transaction, production, list, act, now_ms).await?;
            }
        }
        if done.stored > 0 {
            let mut event = events::about(EventKind::ProductionImported, production);
            event.assets = Some(done.assets);
            event.revisions = Some(done.stored);
            events::append(&mut transaction, self.changes.keep(), now_ms, event).await?;
        }
        let entry = Entry::done("production.imported").on(production).of(production).by(act);
        audit::append(&mut transaction, self.changes.audit_keep(), now_ms, &entry).await?;
        self.publish(transaction).await?;
        Ok(Ok(done))
    }
}
