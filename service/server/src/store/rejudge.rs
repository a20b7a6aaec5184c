//! Latest revisions whose waivers have ended, and the place of their new reports.

use condyle_api::EventKind;
use condyle_core::report::{Counts, Verdict};
use sqlx::Row as _;

use super::{Store, drop_report, events, index, settle};

/// Revisions that are looked up at once.
const BATCH: i64 = 50;

/// A latest revision with a waiver that has ended, or that nobody has looked at.
#[derive(Debug, Clone)]
pub(crate) struct Ended {
    pub(crate) production: String,
    pub(crate) asset: String,
    pub(crate) number: i64,
    label: String,
    manifest: String,
    report_sha256: String,
    /// The report, JSON.
    pub(crate) report: String,
}

/// What takes the place of a report.
#[derive(Debug, Clone)]
pub(crate) struct Rejudged {
    pub(crate) report: String,
    pub(crate) report_sha256: String,
    pub(crate) verdict: Verdict,
    pub(crate) counts: Counts,
}

impl Store {
    /// Latest revisions whose first waiver ended before a day, after an asset, in order.
    pub(crate) async fn ended_before(
        &self,
        day: &str,
        (production, asset): (&str, &str),
    ) -> Result<Vec<Ended>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT r.production, r.asset, r.number, r.label, r.manifest, r.report_sha256, body FROM revisions r \
             JOIN assets a ON a.production = r.production AND a.asset = r.asset AND a.number = r.number \
             JOIN reports ON sha256 = r.report_sha256 \
             WHERE (r.waiver_ends IS NULL OR (r.waiver_ends > '' AND r.waiver_ends < $1)) \
             AND (r.production > $2 OR (r.production = $2 AND r.asset > $3)) \
             ORDER BY r.production, r.asset LIMIT $4",
        )
        .bind(day)
        .bind(production)
        .bind(asset)
        .bind(BATCH)
        .fetch_all(&self.pool)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(Ended {
                    production: row.try_get("production")?,
                    asset: row.try_get("asset")?,
                    number: row.try_get("number")?,
                    label: row.try_get("label")?,
                    manifest: row.try_get("manifest")?,
                    report_sha256: row.try_get("report_sha256")?,
                    report: row.try_get("body")?,
                })
            })
            .collect()
    }

    /// Puts a report in the place of the one that was read, with all that follows from it; `false` where the revision is
    /// another one by now. Without a report, notes that the revision was looked at.
    pub(crate) async fn rejudge(
        &self,
        ended: &Ended,
        now: Option<&Rejudged>,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let (production, asset, number) = (ended.production.as_str(), ended.asset.as_str(), ended.number);
        let mut transaction = self.begin().await?;
        let before: Option<String> = sqlx::query_scalar(
            "SELECT verdict FROM revisions WHERE production = $1 AND asset = $2 AND number = $3 AND report_sha256 = $4",
        )
        .bind(production)
        .bind(asset)
        .bind(number)
        .bind(&ended.report_sha256)
        .fetch_optional(&mut *transaction)
        .await?;
        let Some(before) = before else {
            transaction.rollback().await?;
            return Ok(false);
        };
        let report = now.map_or(&ended.report, |now| &now.report);
        let fresh = index::Index::of(report, &ended.manifest)?;
        if let Some(now) = now {
            sqlx::query("INSERT INTO reports (sha256, body) VALUES ($1, $2) ON CONFLICT (sha256) DO NOTHING")
                .bind(&now.report_sha256)
                .bind(&now.report)
                .execute(&mut *transaction)
                .await?;
            sqlx::query(
                "UPDATE revisions SET verdict = $1, errors = $2, warnings = $3, notes = $4, waived = $5, \
                 report_sha256 = $6 WHERE production = $7 AND asset = $8 AND number = $9",
            )
            .bind(now.verdict.word())
            .bind(now.counts.error as i64)
            .bind(now.counts.warning as i64)
            .bind(now.counts.note as i64)
            .bind(now.counts.waived as i64)
            .bind(&now.report_sha256)
            .bind(production)
            .bind(asset)
            .bind(number)
            .execute(&mut *transaction)
            .await?;
            drop_report(&mut transaction, &ended.report_sha256).await?;
        }
        index::remove(&mut transaction, (production, asset, number)).await?;
        index::write(&mut transaction, (production, asset, number), &fresh).await?;
        if let Some(now) = now {
            let settled = settle::asset(&mut transaction, production, asset, now_ms).await?;
            let happened = settle::Happened { stored: 0, ..settled.into() };
            settle::day(&mut transaction, production, now_ms, happened).await?;
            let mut event = events::about(EventKind::RevisionRejudged, production);
            event.asset = Some(asset.to_owned());
            event.label = Some(ended.label.clone());
            event.number = Some(number.max(0) as u64);
            event.verdict_before = Some(settle::verdict(&before));
            event.verdict = Some(now.verdict);
            event.reason = Some("waiver-expired".to_owned());
            let changed = settled.changed().map(|(before, now)| {
                let mut event = event.clone();
                event.event = EventKind::VerdictChanged;
                (event.verdict_before, event.verdict) = (Some(before), Some(now));
                event
            });
            for event in [Some(event), changed].into_iter().flatten() {
                events::append(&mut transaction, self.changes.keep(), now_ms, event).await?;
            }
        }
        self.publish(transaction).await?;
        Ok(true)
    }
}
