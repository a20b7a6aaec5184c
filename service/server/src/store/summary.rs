//! Counts for a dashboard.

use condyle_api::{CheckCount, TrendDay};
use sqlx::Row as _;
use sqlx::any::AnyRow;

use super::Store;

/// When revisions came, and how many there are.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Span {
    /// Revisions.
    pub revisions: u64,
    /// The first one's time, milliseconds since the epoch.
    pub oldest_ms: Option<i64>,
    /// The last one's time, milliseconds since the epoch.
    pub newest_ms: Option<i64>,
}

impl Store {
    /// Assets and findings by check, over the latest revisions; the check with most assets first.
    pub async fn check_counts(&self, production: Option<&str>) -> Result<Vec<CheckCount>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT c.check_id, \
             SUM(CASE WHEN c.errors + c.warnings + c.notes > 0 THEN 1 ELSE 0 END) AS assets, \
             CAST(SUM(c.errors) AS BIGINT) AS errors, CAST(SUM(c.warnings) AS BIGINT) AS warnings, \
             CAST(SUM(c.notes) AS BIGINT) AS notes, CAST(SUM(c.waived) AS BIGINT) AS waived \
             FROM assets a JOIN revision_checks c ON c.production = a.production AND c.asset = a.asset \
             AND c.number = a.number WHERE ($1 = '' OR a.production = $1) \
             GROUP BY c.check_id ORDER BY assets DESC, c.check_id",
        )
        .bind(production.unwrap_or(""))
        .fetch_all(&self.pool)
        .await?;
        rows.iter()
            .map(|row| {
                Ok(CheckCount {
                    check: row.try_get("check_id")?,
                    assets: number(row, "assets")?,
                    error: number(row, "errors")?,
                    warning: number(row, "warnings")?,
                    note: number(row, "notes")?,
                    waived: number(row, "waived")?,
                })
            })
            .collect()
    }

    /// How many revisions there are, and since when.
    pub async fn span(&self, production: Option<&str>) -> Result<Span, sqlx::Error> {
        let row = sqlx::query(
            "SELECT COUNT(*) AS revisions, MIN(submitted_ms) AS oldest, MAX(submitted_ms) AS newest FROM revisions \
             WHERE ($1 = '' OR production = $1)",
        )
        .bind(production.unwrap_or(""))
        .fetch_one(&self.pool)
        .await?;
        Ok(Span {
            revisions: number(&row, "revisions")?,
            oldest_ms: row.try_get("oldest")?,
            newest_ms: row.try_get("newest")?,
        })
    }

    /// What days left behind, by production and day: from `since` on, and the last one before it.
    pub async fn days(
        &self,
        production: Option<&str>,
        since: &str,
    ) -> Result<Vec<(String, TrendDay)>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT production, day, pass, warn, fail, stored, better, worse FROM days d \
             WHERE ($1 = '' OR production = $1) AND day >= COALESCE((SELECT MAX(day) FROM days b \
             WHERE b.production = d.production AND b.day < $2), $2) ORDER BY day, production",
        )
        .bind(production.unwrap_or(""))
        .bind(since)
        .fetch_all(&self.pool)
        .await?;
        rows.iter()
            .map(|row| {
                let day = TrendDay {
                    day: row.try_get("day")?,
                    pass: number(row, "pass")?,
                    warn: number(row, "warn")?,
                    fail: number(row, "fail")?,
                    stored: number(row, "stored")?,
                    better: number(row, "better")?,
                    worse: number(row, "worse")?,
                };
                Ok((row.try_get("production")?, day))
            })
            .collect()
    }
}

fn number(row: &AnyRow, column: &str) -> Result<u64, sqlx::Error> {
    row.try_get::<i64, _>(column).map(|n| n.max(0) as u64)
}
