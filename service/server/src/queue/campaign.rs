//! Campaigns in the database: their jobs, their results, and how they are paused, resumed and cancelled. SQL stands
//! beside its method.

use std::collections::BTreeMap;

use condyle_api::{RecheckCounts, RecheckState};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row as _};

use super::{Queue, unword};

/// A campaign as stored.
#[derive(Debug, Clone)]
pub struct StoredCampaign {
    /// Its id.
    pub id: String,
    /// What was asked, JSON.
    pub request: String,
    /// The catalogue version that it was begun with.
    pub catalogue: String,
    /// Where it stands.
    pub state: RecheckState,
    /// Its assets.
    pub counts: RecheckCounts,
    /// When it was begun.
    pub created_ms: i64,
    /// When it was last begun, paused, resumed or cancelled.
    pub updated_ms: i64,
}

/// Which assets.
#[derive(Debug, Clone, Default)]
pub struct Chosen {
    /// Only this production; empty: all.
    pub production: String,
    /// Only this verdict; empty: all.
    pub verdict: String,
    /// Only names like this, escaped by `\`; empty: all.
    pub name_like: String,
    /// Only reports with a finding of this check, or of this family; empty: all.
    pub check: String,
}

/// An asset that is checked again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// The show.
    pub production: String,
    /// The asset.
    pub asset: String,
    /// The label of its latest revision.
    pub label: String,
    /// Its number.
    pub number: u64,
}

/// How an asset's answers differ.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Compared {
    /// The verdict now.
    pub after: &'static str,
    /// Findings that were not there.
    pub new: u64,
    /// Findings that are gone.
    pub fixed: u64,
    /// Findings of both.
    pub same: u64,
}

/// A result as stored.
#[derive(Debug, Clone)]
pub struct StoredResult {
    /// The asset.
    pub candidate: Candidate,
    /// Its job, and where that stands.
    pub job: String,
    /// The job's state.
    pub job_state: String,
    /// Verdict as stored.
    pub before: String,
    /// Verdict now.
    pub after: Option<String>,
    /// New, fixed, unchanged.
    pub findings: [u64; 3],
    /// Whether the job keeps a report.
    pub has_report: bool,
    /// The job's problem, JSON.
    pub problem: Option<String>,
}

/// A campaign to begin.
#[derive(Debug, Clone, Copy)]
pub struct NewCampaign<'a> {
    /// Its id.
    pub id: &'a str,
    /// What was asked, JSON.
    pub request: &'a str,
    /// The catalogue version.
    pub catalogue: &'a str,
    /// Which assets.
    pub chosen: &'a Chosen,
    /// At most this many.
    pub most: u64,
}

const COLUMNS: &str = "id, state, request, catalogue, created_ms, updated_ms";
const OPEN: &str = "('queued', 'running', 'failed', 'paused')";

impl Queue {
    /// Begins a campaign with a job for every asset that is chosen; `None`: there are more than `most`. `job` gives the
    /// id and the request of an asset's job.
    pub async fn begin(
        &self,
        new: NewCampaign<'_>,
        job: impl Fn(&Candidate) -> (String, String),
        now_ms: i64,
    ) -> Result<Option<u64>, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let found = candidates(&mut transaction, new.chosen, new.most + 1).await?;
        if found.len() as u64 > new.most {
            return Ok(None);
        }
        sqlx::query(
            "INSERT INTO rechecks (id, state, request, catalogue, created_ms, updated_ms) \
             VALUES ($1, 'running', $2, $3, $4, $4)",
        )
        .bind(new.id)
        .bind(new.request)
        .bind(new.catalogue)
        .bind(now_ms)
        .execute(&mut *transaction)
        .await?;
        for (candidate, before, bytes) in &found {
            let (id, request) = job(candidate);
            let c = candidate;
            sqlx::query(
                "INSERT INTO jobs (id, kind, priority, state, due_ms, attempts, steps_done, steps, request, bytes, \
                 campaign, created_ms, updated_ms) \
                 VALUES ($1, 'recheck', 1, 'queued', $2, 0, 0, 0, $3, $4, $5, $2, $2)",
            )
            .bind(&id)
            .bind(now_ms)
            .bind(request)
            .bind(bytes)
            .bind(new.id)
            .execute(&mut *transaction)
            .await?;
            sqlx::query(
                "INSERT INTO recheck_results (recheck, production, asset, label, number, job, before_verdict, \
                 new_findings, fixed_findings, same_findings) VALUES ($1, $2, $3, $4, $5, $6, $7, 0, 0, 0)",
            )
            .bind(new.id)
            .bind(&c.production)
            .bind(&c.asset)
            .bind(&c.label)
            .bind(c.number as i64)
            .bind(&id)
            .bind(before)
            .execute(&mut *transaction)
            .await?;
        }
        transaction.commit().await?;
        Ok(Some(found.len() as u64))
    }

    /// A campaign.
    pub async fn campaign(&self, id: &str) -> Result<Option<StoredCampaign>, sqlx::Error> {
        let sql = format!("SELECT {COLUMNS} FROM rechecks WHERE id = $1");
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_all(&self.pool).await?;
        Ok(self.counted(&rows).await?.pop())
    }

    /// Campaigns below an id, the newest first: ids are in the order of time.
    pub async fn campaigns(
        &self,
        below: Option<&str>,
        limit: u32,
    ) -> Result<Vec<StoredCampaign>, sqlx::Error> {
        let sql =
            format!("SELECT {COLUMNS} FROM rechecks WHERE ($1 = '' OR id < $1) ORDER BY id DESC LIMIT $2");
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(below.unwrap_or(""))
            .bind(i64::from(limit))
            .fetch_all(&self.pool)
            .await?;
        self.counted(&rows).await
    }

    /// Campaigns of a range of ids, the highest first, with how far they are.
    async fn counted(&self, rows: &[AnyRow]) -> Result<Vec<StoredCampaign>, sqlx::Error> {
        let (Some(last), Some(first)) = (rows.first(), rows.last()) else { return Ok(Vec::new()) };
        let (first, last): (String, String) = (first.try_get("id")?, last.try_get("id")?);
        let states: Vec<(String, String, i64)> = sqlx::query_as(
            "SELECT campaign, state, COUNT(*) FROM jobs WHERE campaign >= $1 AND campaign <= $2 \
             GROUP BY campaign, state",
        )
        .bind(&first)
        .bind(&last)
        .fetch_all(&self.pool)
        .await?;
        let changed: Vec<(String, i64)> = sqlx::query_as(
            "SELECT recheck, COUNT(*) FROM recheck_results WHERE recheck >= $1 AND recheck <= $2 \
             AND after_verdict IS NOT NULL AND (after_verdict <> before_verdict OR new_findings + fixed_findings > 0) \
             GROUP BY recheck",
        )
        .bind(&first)
        .bind(&last)
        .fetch_all(&self.pool)
        .await?;
        let mut counts: BTreeMap<String, RecheckCounts> = BTreeMap::new();
        for (id, state, number) in states {
            let counts = counts.entry(id).or_default();
            let number = number.max(0) as u64;
            counts.total += number;
            match state.as_str() {
                "done" => counts.done += number,
                "dead" => counts.dead += number,
                "cancelled" => counts.cancelled += number,
                _ => counts.open += number,
            }
        }
        for (id, number) in changed {
            counts.entry(id).or_default().changed = number.max(0) as u64;
        }
        let read = |row: &AnyRow| {
            let id: String = row.try_get("id")?;
            let counts = counts.get(&id).copied().unwrap_or_default();
            let state: RecheckState = unword("state", row.try_get("state")?)?;
            let over = counts.open == 0 && state != RecheckState::Cancelled;
            Ok(StoredCampaign {
                id,
                request: row.try_get("request")?,
                catalogue: row.try_get("catalogue")?,
                state: if over { RecheckState::Done } else { state },
                counts,
                created_ms: row.try_get("created_ms")?,
                updated_ms: row.try_get("updated_ms")?,
            })
        };
        rows.iter().map(read).collect()
    }

    /// Lets the jobs of a campaign wait; those that run end.
    pub async fn pause(&self, id: &str, now_ms: i64) -> Result<(), sqlx::Error> {
        let jobs = "UPDATE jobs SET state = 'paused', due_ms = NULL, updated_ms = $2 \
                    WHERE campaign = $1 AND state IN ('queued', 'failed')";
        self.turn(id, "paused", jobs, now_ms).await
    }

    /// Lets them go on.
    pub async fn resume(&self, id: &str, now_ms: i64) -> Result<(), sqlx::Error> {
        let jobs = "UPDATE jobs SET state = 'queued', due_ms = $2, updated_ms = $2 \
                    WHERE campaign = $1 AND state = 'paused'";
        self.turn(id, "running", jobs, now_ms).await
    }

    /// Cancels those that are not over, and says which ran.
    pub async fn cancel_campaign(&self, id: &str, now_ms: i64) -> Result<Vec<String>, sqlx::Error> {
        let running: Vec<String> =
            sqlx::query_scalar("SELECT id FROM jobs WHERE campaign = $1 AND state = 'running'")
                .bind(id)
                .fetch_all(&self.pool)
                .await?;
        let jobs = "UPDATE jobs SET state = 'cancelled', due_ms = NULL, owner = NULL, updated_ms = $2 \
                    WHERE campaign = $1 AND state IN ('queued', 'running', 'failed', 'paused')";
        self.turn(id, "cancelled", jobs, now_ms).await?;
        Ok(running)
    }

    async fn turn(&self, id: &str, state: &str, jobs: &'static str, now_ms: i64) -> Result<(), sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        sqlx::query("UPDATE rechecks SET state = $2, updated_ms = $3 WHERE id = $1 AND state <> 'cancelled'")
            .bind(id)
            .bind(state)
            .bind(now_ms)
            .execute(&mut *transaction)
            .await?;
        sqlx::query(jobs).bind(id).bind(now_ms).execute(&mut *transaction).await?;
        transaction.commit().await
    }

    /// Results by production and asset, after a place; only those that changed, where that is asked.
    pub async fn results(
        &self,
        id: &str,
        changed: bool,
        after: Option<&(String, String)>,
        limit: u32,
    ) -> Result<Vec<StoredResult>, sqlx::Error> {
        let (production, asset) = after.cloned().unwrap_or_default();
        let rows = sqlx::query(
            "SELECT r.production, r.asset, r.label, r.number, r.job, r.before_verdict, r.after_verdict, \
             r.new_findings, r.fixed_findings, r.same_findings, j.state, j.problem, \
             CAST(CASE WHEN j.report IS NULL THEN 0 ELSE 1 END AS BIGINT) AS kept \
             FROM recheck_results r JOIN jobs j ON j.id = r.job WHERE r.recheck = $1 \
             AND (r.production > $2 OR (r.production = $2 AND r.asset > $3)) \
             AND (CAST($4 AS BIGINT) = 0 OR (r.after_verdict IS NOT NULL AND (r.after_verdict <> r.before_verdict \
             OR r.new_findings + r.fixed_findings > 0))) \
             ORDER BY r.production, r.asset LIMIT $5",
        )
        .bind(id)
        .bind(production)
        .bind(asset)
        .bind(i64::from(changed))
        .bind(i64::from(limit))
        .fetch_all(&self.pool)
        .await?;
        rows.iter().map(result).collect()
    }

    /// Forgets campaigns that were over before a time, with their jobs.
    pub async fn forget_campaigns(&self, before_ms: i64) -> Result<u64, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let sql = format!(
            "SELECT id FROM rechecks WHERE updated_ms < $1 AND NOT EXISTS (SELECT 1 FROM jobs \
             WHERE campaign = rechecks.id AND (state IN {OPEN} OR updated_ms >= $1))"
        );
        let old: Vec<String> =
            sqlx::query_scalar(sqlx::AssertSqlSafe(sql)).bind(before_ms).fetch_all(&mut *transaction).await?;
        for id in &old {
            for sql in [
                "DELETE FROM recheck_results WHERE recheck = $1",
                "DELETE FROM jobs WHERE campaign = $1",
                "DELETE FROM rechecks WHERE id = $1",
            ] {
                sqlx::query(sql).bind(id).execute(&mut *transaction).await?;
            }
        }
        transaction.commit().await?;
        Ok(old.len() as u64)
    }
}

/// The latest revisions that are chosen, with their verdicts and sizes.
async fn candidates(
    transaction: &mut AnyConnection,
    chosen: &Chosen,
    most: u64,
) -> Result<Vec<(Candidate, String, i64)>, sqlx::Error> {
    let rows = sqlx::query(
        "SELECT r.production, r.asset, r.label, r.number, r.verdict, r.input_bytes FROM revisions r \
         WHERE r.number = (SELECT MAX(n.number) FROM revisions n WHERE n.production = r.production \
         AND n.asset = r.asset) AND ($1 = '' OR r.production = $1) AND ($2 = '' OR r.verdict = $2) \
         AND ($3 = '' OR LOWER(r.asset) LIKE LOWER($3) ESCAPE '\\') \
         AND ($4 = '' OR EXISTS (SELECT 1 FROM revision_checks c WHERE c.production = r.production \
         AND c.asset = r.asset AND c.number = r.number \
         AND (c.check_id = $4 OR SUBSTR(c.check_id, 1, LENGTH($4) + 1) = $4 || '/'))) \
         ORDER BY r.production, r.asset LIMIT $5",
    )
    .bind(&chosen.production)
    .bind(&chosen.verdict)
    .bind(&chosen.name_like)
    .bind(&chosen.check)
    .bind(most as i64)
    .fetch_all(transaction)
    .await?;
    rows.iter()
        .map(|row| Ok((candidate(row)?, row.try_get("verdict")?, row.try_get("input_bytes")?)))
        .collect()
}

fn candidate(row: &AnyRow) -> Result<Candidate, sqlx::Error> {
    Ok(Candidate {
        production: row.try_get("production")?,
        asset: row.try_get("asset")?,
        label: row.try_get("label")?,
        number: row.try_get::<i64, _>("number")?.max(0) as u64,
    })
}

fn result(row: &AnyRow) -> Result<StoredResult, sqlx::Error> {
    let number = |column: &str| row.try_get::<i64, _>(column).map(|n| n.max(0) as u64);
    Ok(StoredResult {
        candidate: candidate(row)?,
        job: row.try_get("job")?,
        job_state: row.try_get("state")?,
        before: row.try_get("before_verdict")?,
        after: row.try_get("after_verdict")?,
        findings: [number("new_findings")?, number("fixed_findings")?, number("same_findings")?],
        has_report: row.try_get::<i64, _>("kept")? != 0,
        problem: row.try_get("problem")?,
    })
}

/// Writes a result down, in the transaction that ends its job.
pub(super) async fn compare_in(
    transaction: &mut AnyConnection,
    job: &str,
    compared: Compared,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "UPDATE recheck_results SET after_verdict = $1, new_findings = $2, fixed_findings = $3, same_findings = $4 \
         WHERE job = $5",
    )
    .bind(compared.after)
    .bind(compared.new as i64)
    .bind(compared.fixed as i64)
    .bind(compared.same as i64)
    .bind(job)
    .execute(transaction)
    .await
    .map(|_| ())
}
