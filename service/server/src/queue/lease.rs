//! Taking jobs: a lease is a row's owner until a time. Whoever lost the lease can write nothing more, so a job that is
//! run twice has its effect once.

use condyle_api::JobKind;
use sqlx::AnyConnection;

use super::campaign::{Compared, compare_in};
use super::{Outcome, Queue, unword};
use crate::store::{Inserted, Stored};

/// A job that is ours for a while.
#[derive(Debug, Clone)]
pub struct Lease {
    /// The job.
    pub id: String,
    /// What it does.
    pub kind: JobKind,
    /// What is to be done, JSON.
    pub request: String,
    /// Attempts begun, with this one.
    pub attempts: u64,
    owner: String,
}

/// What a search for work found.
#[derive(Debug)]
pub enum Claim {
    /// This, for a while.
    Leased(Lease),
    /// A job whose workers stopped too often; it is to be buried.
    Worn(Lease),
    /// Nothing is due.
    Nothing,
}

/// What a job made.
#[derive(Debug, Clone, Copy)]
pub enum Made<'a> {
    /// A revision; with a number, in the place of the revision of that number.
    Revision(&'a Stored, Option<u64>),
    /// Nothing: the revision is there.
    Kept(&'a str),
    /// A report that belongs to no revision.
    Report(&'a str),
    /// A trial bind, with its report.
    Bind(&'a str),
    /// How a campaign's asset differs, and the report if it does.
    Comparison(Compared, Option<&'a str>),
}

/// Whether it could be written down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finished {
    /// Job and effect are stored together.
    Done,
    /// The lease was lost; nothing is stored.
    Lost,
    /// Somebody else stored the label meanwhile; nothing is stored, and the lease holds.
    Taken,
}

impl Queue {
    /// Takes the job that goes first, for `lease_ms`; `owner` must be of this claim alone, `steps` is how far it goes.
    pub async fn claim(
        &self,
        owner: &str,
        now_ms: i64,
        lease_ms: i64,
        most_attempts: u64,
        steps: u64,
    ) -> Result<Claim, sqlx::Error> {
        for priority in [0_i64, 1] {
            // Looked up first: who finds nothing, which is most of the time, must not ask for the right to write.
            let due: Option<i64> =
                sqlx::query_scalar("SELECT due_ms FROM jobs WHERE priority = $1 AND due_ms <= $2 LIMIT 1")
                    .bind(priority)
                    .bind(now_ms)
                    .fetch_optional(&self.pool)
                    .await?;
            if due.is_none() {
                continue;
            }
            let sql = format!(
                "UPDATE jobs SET state = 'running', owner = $3, attempts = attempts + 1, steps_done = 0, steps = $5, \
                 due_ms = $4, updated_ms = $2 WHERE id = (SELECT id FROM jobs WHERE priority = $1 AND due_ms <= $2 \
                 ORDER BY due_ms, id LIMIT 1 {}) RETURNING id, kind, request, attempts",
                self.store.engine().skip_locked()
            );
            // To the end of the answer: its first row may come before the commit.
            let taken: Vec<(String, String, String, i64)> = sqlx::query_as(sqlx::AssertSqlSafe(sql))
                .bind(priority)
                .bind(now_ms)
                .bind(owner)
                .bind(now_ms + lease_ms)
                .bind(steps as i64)
                .fetch_all(&self.pool)
                .await?;
            if let Some((id, kind, request, attempts)) = taken.into_iter().next() {
                let kind = unword("kind", kind)?;
                let lease = Lease { id, kind, request, attempts: attempts as u64, owner: owner.to_owned() };
                let worn = lease.attempts > most_attempts;
                return Ok(if worn { Claim::Worn(lease) } else { Claim::Leased(lease) });
            }
        }
        Ok(Claim::Nothing)
    }

    /// Keeps the lease and notes how far the work is, and how far it goes; `false`: it is lost.
    pub async fn beat(&self, lease: &Lease, until_ms: i64, done: u64, of: u64) -> Result<bool, sqlx::Error> {
        let kept = sqlx::query(
            "UPDATE jobs SET due_ms = $1, steps_done = $2, steps = $5 WHERE id = $3 AND owner = $4 \
             AND state = 'running'",
        )
        .bind(until_ms)
        .bind(done as i64)
        .bind(&lease.id)
        .bind(&lease.owner)
        .bind(of as i64)
        .execute(&self.pool)
        .await?;
        Ok(kept.rows_affected() == 1)
    }

    /// Gives the job back as it was.
    pub async fn release(&self, lease: &Lease, now_ms: i64) -> Result<bool, sqlx::Error> {
        // Not beside one that pauses the campaign: each would miss the other.
        let mut transaction = self.store.begin().await?;
        let done = sqlx::query(
            "UPDATE jobs SET state = CASE WHEN EXISTS (SELECT 1 FROM rechecks WHERE id = jobs.campaign \
             AND state = 'paused') THEN 'paused' ELSE 'queued' END, owner = NULL, attempts = attempts - 1, \
             due_ms = CASE WHEN EXISTS (SELECT 1 FROM rechecks WHERE id = jobs.campaign AND state = 'paused') \
             THEN NULL ELSE CAST($1 AS BIGINT) END, updated_ms = $1 WHERE id = $2 AND owner = $3 AND state = 'running'",
        )
        .bind(now_ms)
        .bind(&lease.id)
        .bind(&lease.owner)
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        Ok(done.rows_affected() == 1)
    }

    /// Notes that the attempt failed; the next is due at a time.
    pub async fn retry(
        &self,
        lease: &Lease,
        now_ms: i64,
        due_ms: i64,
        problem: &str,
    ) -> Result<bool, sqlx::Error> {
        // Not beside one that pauses the campaign: each would miss the other.
        let mut transaction = self.store.begin().await?;
        let done = sqlx::query(
            "UPDATE jobs SET state = CASE WHEN EXISTS (SELECT 1 FROM rechecks WHERE id = jobs.campaign \
             AND state = 'paused') THEN 'paused' ELSE 'failed' END, owner = NULL, \
             due_ms = CASE WHEN EXISTS (SELECT 1 FROM rechecks WHERE id = jobs.campaign AND state = 'paused') \
             THEN NULL ELSE CAST($1 AS BIGINT) END, problem = $2, updated_ms = $3 WHERE id = $4 AND owner = $5 AND state = 'running'",
        )
        .bind(due_ms)
        .bind(problem)
        .bind(now_ms)
        .bind(&lease.id)
        .bind(&lease.owner)
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        Ok(done.rows_affected() == 1)
    }

    /// Gives the job up.
    pub async fn bury(&self, lease: &Lease, now_ms: i64, problem: &str) -> Result<bool, sqlx::Error> {
        let mut transaction = self.store.begin().await?;
        let done = sqlx::query(
            "UPDATE jobs SET state = 'dead', owner = NULL, due_ms = NULL, problem = $1, updated_ms = $2 \
             WHERE id = $3 AND owner = $4 AND state = 'running'",
        )
        .bind(problem)
        .bind(now_ms)
        .bind(&lease.id)
        .bind(&lease.owner)
        .execute(&mut *transaction)
        .await?;
        if done.rows_affected() != 1 {
            return Ok(false);
        }
        free_blobs(&mut transaction, lease).await?;
        transaction.commit().await?;
        Ok(true)
    }

    /// Stores what the job made together with the job's end.
    pub async fn finish(&self, lease: &Lease, made: Made<'_>, now_ms: i64) -> Result<Finished, sqlx::Error> {
        let own = || format!("/v1/jobs/{}/report", lease.id);
        let (outcome, result, report) = match made {
            Made::Revision(new, _) => {
                let r = &new.revision;
                let place = format!("/v1/assets/{}/{}/revisions/{}", r.production, r.asset, r.label);
                (Outcome::Created, Some(place), None)
            }
            Made::Kept(place) => (Outcome::Kept, Some(place.to_owned()), None),
            Made::Report(report) => (Outcome::Report, Some(own()), Some(report)),
            Made::Bind(made) => {
                (Outcome::Report, Some(format!("/v1/jobs/{}/trial-bind", lease.id)), Some(made))
            }
            Made::Comparison(_, report) => (Outcome::Report, report.map(|_| own()), report),
        };
        let mut transaction = self.store.begin().await?;
        let done = sqlx::query(
            "UPDATE jobs SET state = 'done', owner = NULL, due_ms = NULL, outcome = $1, result = $2, report = $3, \
             problem = NULL, steps_done = steps, updated_ms = $4 WHERE id = $5 AND owner = $6 AND state = 'running'",
        )
        .bind(outcome.word())
        .bind(result)
        .bind(report)
        .bind(now_ms)
        .bind(&lease.id)
        .bind(&lease.owner)
        .execute(&mut *transaction)
        .await?;
        if done.rows_affected() != 1 {
            return Ok(Finished::Lost);
        }
        let stores = matches!(made, Made::Revision(..));
        if let Made::Revision(new, replacing) = made
            && self.store.insert_in(&mut transaction, new, replacing).await? == Inserted::Taken
        {
            return Ok(Finished::Taken);
        }
        if let Made::Comparison(compared, _) = made {
            compare_in(&mut transaction, &lease.id, compared).await?;
        }
        // A report alone is looked at, and drawn, with what it was made of.
        if !matches!(made, Made::Report(_) | Made::Bind(_)) {
            free_blobs(&mut transaction, lease).await?;
        }
        if stores {
            self.store.publish(transaction).await?;
        } else {
            transaction.commit().await?;
        }
        Ok(Finished::Done)
    }
}

/// What the job needed is held by the revision now, or by nobody.
async fn free_blobs(transaction: &mut AnyConnection, lease: &Lease) -> Result<(), sqlx::Error> {
    sqlx::query("DELETE FROM job_blobs WHERE job = $1")
        .bind(&lease.id)
        .execute(&mut *transaction)
        .await
        .map(|_| ())
}
