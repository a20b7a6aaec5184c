//! What follows from a changed revision, in the same transaction: the asset's latest, the day's numbers.

use condyle_core::report::Verdict;
use sqlx::{AnyConnection, Row as _};

/// What became of an asset's latest revision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Settled {
    /// Its verdict before; nothing where the asset is new.
    pub(super) before: Option<Verdict>,
    /// Its verdict now; nothing where the asset is gone.
    pub(super) now: Option<Verdict>,
}

impl Settled {
    /// Both verdicts, where the asset stayed and has another one.
    pub(super) fn changed(self) -> Option<(Verdict, Verdict)> {
        match (self.before, self.now) {
            (Some(before), Some(now)) if before != now => Some((before, now)),
            _ => None,
        }
    }
}

/// What happened on a day.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Happened {
    /// Revisions stored.
    pub(super) stored: i64,
    /// Assets whose verdict got better.
    pub(super) better: i64,
    /// Assets whose verdict got worse.
    pub(super) worse: i64,
}

impl From<Settled> for Happened {
    /// One revision was stored, and this came of it.
    fn from(settled: Settled) -> Self {
        let (better, worse) = match settled.changed() {
            Some((before, now)) if now > before => (0, 1),
            Some(_) => (1, 0),
            None => (0, 0),
        };
        Self { stored: 1, better, worse }
    }
}

pub(super) fn verdict(word: &str) -> Verdict {
    match word {
        "pass" => Verdict::Pass,
        "warn" => Verdict::Warn,
        _ => Verdict::Fail,
    }
}

/// Notes which revision of an asset is the latest.
pub(super) async fn asset(
    connection: &mut AnyConnection,
    production: &str,
    asset: &str,
    now_ms: i64,
) -> Result<Settled, sqlx::Error> {
    let latest = sqlx::query(
        "SELECT number, verdict FROM revisions WHERE production = $1 AND asset = $2 ORDER BY number DESC LIMIT 1",
    )
    .bind(production)
    .bind(asset)
    .fetch_optional(&mut *connection)
    .await?;
    let latest = latest.as_ref().map(line).transpose()?;
    note(connection, (production, asset), latest, now_ms).await
}

fn line(row: &sqlx::any::AnyRow) -> Result<(i64, String), sqlx::Error> {
    Ok((row.try_get("number")?, row.try_get("verdict")?))
}

/// Notes that this is the latest revision of an asset: number and verdict, or none.
pub(super) async fn note(
    connection: &mut AnyConnection,
    (production, asset): (&str, &str),
    latest: Option<(i64, String)>,
    now_ms: i64,
) -> Result<Settled, sqlx::Error> {
    let known = sqlx::query("SELECT number, verdict FROM assets WHERE production = $1 AND asset = $2")
        .bind(production)
        .bind(asset)
        .fetch_optional(&mut *connection)
        .await?;
    let known = known.as_ref().map(line).transpose()?;
    match &latest {
        None => {
            sqlx::query("DELETE FROM assets WHERE production = $1 AND asset = $2")
                .bind(production)
                .bind(asset)
                .execute(&mut *connection)
                .await?;
        }
        Some((number, word)) if known.as_ref() != latest.as_ref() => {
            sqlx::query(
                "INSERT INTO assets (production, asset, number, verdict, changed_ms) VALUES ($1, $2, $3, $4, $5) \
                 ON CONFLICT (production, asset) DO UPDATE SET number = $3, verdict = $4, changed_ms = $5",
            )
            .bind(production)
            .bind(asset)
            .bind(number)
            .bind(word)
            .bind(now_ms)
            .execute(&mut *connection)
            .await?;
        }
        Some(_) => {}
    }
    let verdict = |pair: Option<(i64, String)>| pair.map(|(_, word)| verdict(&word));
    Ok(Settled { before: verdict(known), now: verdict(latest) })
}

/// Notes what a day leaves behind so far.
pub(super) async fn day(
    connection: &mut AnyConnection,
    production: &str,
    now_ms: i64,
    happened: Happened,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO days (production, day, pass, warn, fail, stored, better, worse) \
         SELECT $1, $2, \
         CAST(COALESCE(SUM(CASE WHEN verdict = 'pass' THEN 1 ELSE 0 END), 0) AS BIGINT), \
         CAST(COALESCE(SUM(CASE WHEN verdict = 'warn' THEN 1 ELSE 0 END), 0) AS BIGINT), \
         CAST(COALESCE(SUM(CASE WHEN verdict = 'fail' THEN 1 ELSE 0 END), 0) AS BIGINT), \
         $3, $4, $5 FROM assets WHERE production = $1 \
         ON CONFLICT (production, day) DO UPDATE SET pass = excluded.pass, warn = excluded.warn, \
         fail = excluded.fail, stored = days.stored + excluded.stored, better = days.better + excluded.better, \
         worse = days.worse + excluded.worse",
    )
    .bind(production)
    .bind(crate::clock::day(now_ms))
    .bind(happened.stored)
    .bind(happened.better)
    .bind(happened.worse)
    .execute(connection)
    .await
    .map(|_| ())
}
