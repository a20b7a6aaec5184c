//! Removing revisions and assets, and finding out what nobody needs any more.

use condyle_api::EventKind;
use sqlx::{AnyConnection, Row as _};

use super::{Store, drop_report, events, index, settle};

/// How a removal ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Removed {
    /// There is no such thing.
    Missing,
    /// It is another one than was expected.
    Changed,
    /// It is gone; these blobs were its own or shared.
    Gone(Vec<String>),
}

/// A revision's number, its label and its report.
type Line = (i64, String, String);

impl Store {
    /// Removes a revision; with `expected`, only if it has this number.
    pub async fn remove_revision(
        &self,
        (production, asset, label): (&str, &str, &str),
        expected: Option<u64>,
        reason: &str,
        now_ms: i64,
    ) -> Result<Removed, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let line: Option<Line> = sqlx::query_as(
            "SELECT number, label, report_sha256 FROM revisions WHERE production = $1 AND asset = $2 AND label = $3",
        )
        .bind(production)
        .bind(asset)
        .bind(label)
        .fetch_optional(&mut *transaction)
        .await?;
        let Some(line) = line else {
            transaction.rollback().await?;
            return Ok(Removed::Missing);
        };
        if expected.is_some_and(|number| number != line.0.max(0) as u64) {
            transaction.rollback().await?;
            return Ok(Removed::Changed);
        }
        let blobs = self.remove_lines(&mut transaction, (production, asset), &[line], reason, now_ms).await?;
        self.publish(transaction).await?;
        Ok(Removed::Gone(blobs))
    }

    /// Removes an asset with all its revisions; with `expected`, only if its latest revision has this number.
    pub async fn remove_asset(
        &self,
        production: &str,
        asset: &str,
        expected: Option<u64>,
        now_ms: i64,
    ) -> Result<Removed, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let lines: Vec<Line> = sqlx::query_as(
            "SELECT number, label, report_sha256 FROM revisions WHERE production = $1 AND asset = $2 ORDER BY number",
        )
        .bind(production)
        .bind(asset)
        .fetch_all(&mut *transaction)
        .await?;
        let Some(latest) = lines.last().map(|(number, ..)| (*number).max(0) as u64) else {
            transaction.rollback().await?;
            return Ok(Removed::Missing);
        };
        if expected.is_some_and(|number| number != latest) {
            transaction.rollback().await?;
            return Ok(Removed::Changed);
        }
        let blobs =
            self.remove_lines(&mut transaction, (production, asset), &lines, "request", now_ms).await?;
        self.publish(transaction).await?;
        Ok(Removed::Gone(blobs))
    }

    /// Removes what a retention rule does not keep: revisions beyond the last `keep_last` (where it is set) that are
    /// stored before `before_ms` (where it is set). The latest one and the baseline always stay.
    pub async fn retain(
        &self,
        (production, asset): (&str, &str),
        keep_last: Option<u32>,
        before_ms: Option<i64>,
        baseline: Option<&str>,
        now_ms: i64,
    ) -> Result<Vec<String>, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let lines: Vec<Line> = sqlx::query_as(
            "SELECT number, label, report_sha256 FROM revisions r WHERE production = $1 AND asset = $2 \
             AND label <> $3 AND submitted_ms < $4 AND number < (SELECT MAX(number) FROM revisions m \
             WHERE m.production = $1 AND m.asset = $2) AND (SELECT COUNT(*) FROM revisions n \
             WHERE n.production = $1 AND n.asset = $2 AND n.number > r.number) >= $5 ORDER BY number",
        )
        .bind(production)
        .bind(asset)
        .bind(baseline.unwrap_or(""))
        .bind(before_ms.unwrap_or(i64::MAX))
        .bind(i64::from(keep_last.unwrap_or(1)))
        .fetch_all(&mut *transaction)
        .await?;
        if lines.is_empty() {
            transaction.rollback().await?;
            return Ok(Vec::new());
        }
        let blobs =
            self.remove_lines(&mut transaction, (production, asset), &lines, "retention", now_ms).await?;
        self.publish(transaction).await?;
        Ok(blobs)
    }

    /// Removes rows, and says what happened. The blobs they held come back; others may hold them too.
    async fn remove_lines(
        &self,
        connection: &mut AnyConnection,
        (production, asset): (&str, &str),
        lines: &[Line],
        reason: &str,
        now_ms: i64,
    ) -> Result<Vec<String>, sqlx::Error> {
        let mut blobs = Vec::new();
        for (number, label, report) in lines {
            sqlx::query("DELETE FROM revisions WHERE production = $1 AND asset = $2 AND number = $3")
                .bind(production)
                .bind(asset)
                .bind(number)
                .execute(&mut *connection)
                .await?;
            blobs.append(&mut index::remove(connection, (production, asset, *number)).await?);
            drop_report(connection, report).await?;
            let mut event = events::about(EventKind::RevisionDeleted, production);
            event.asset = Some(asset.to_owned());
            event.label = Some(label.clone());
            event.number = Some((*number).max(0) as u64);
            event.reason = Some(reason.to_owned());
            events::append(connection, self.changes.keep(), now_ms, event).await?;
        }
        let settled = settle::asset(connection, production, asset, now_ms).await?;
        let happened = settle::Happened { stored: 0, ..settled.into() };
        settle::day(connection, production, now_ms, happened).await?;
        let mut event = events::about(EventKind::AssetDeleted, production);
        event.asset = Some(asset.to_owned());
        if settled.now.is_none() {
            event.reason = Some(reason.to_owned());
            events::append(connection, self.changes.keep(), now_ms, event).await?;
        } else if let Some((before, now)) = settled.changed() {
            event.event = EventKind::VerdictChanged;
            event.verdict_before = Some(before);
            event.verdict = Some(now);
            events::append(connection, self.changes.keep(), now_ms, event).await?;
        }
        blobs.sort();
        blobs.dedup();
        Ok(blobs)
    }

    /// Whether anybody needs a blob. Whoever keeps blobs in a table of their own must be asked here.
    pub async fn blob_in_use(&self, sha256: &str) -> Result<bool, sqlx::Error> {
        let row = sqlx::query(
            "SELECT 1 AS used FROM blob_uses WHERE sha256 = $1 UNION ALL \
             SELECT 1 FROM reference_skeletons WHERE sha256 = $1 UNION ALL \
             SELECT 1 FROM versions WHERE sha256 = $1 UNION ALL \
             SELECT 1 FROM job_blobs WHERE sha256 = $1 LIMIT 1",
        )
        .bind(sha256)
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.is_some())
    }

    /// Names of a production's assets with more than one revision.
    pub async fn assets_with_history(&self, production: &str) -> Result<Vec<String>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT asset FROM revisions WHERE production = $1 GROUP BY asset HAVING COUNT(*) > 1 ORDER BY asset",
        )
        .bind(production)
        .fetch_all(&self.pool)
        .await?;
        rows.iter().map(|row| row.try_get("asset")).collect()
    }
}
