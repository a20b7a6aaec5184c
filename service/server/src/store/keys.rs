//! Answers by `Idempotency-Key`. SQL stands beside its method.

use sqlx::Row as _;

use super::Store;

/// An answer that is given again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The status.
    pub status: u16,
    /// Names and values, JSON.
    pub headers: String,
    /// The body; every form of ours is text.
    pub body: String,
}

/// What a key means for a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KeyState {
    /// It is this request's to answer; if it makes a job, of this id.
    Ours(String),
    /// It was answered.
    Answered(Answer),
    /// It is being answered.
    InUse,
    /// It came with another request.
    Reused,
}

impl Store {
    /// Takes a key for a request until a time, or says what became of it.
    pub async fn take_key(
        &self,
        name: &str,
        request_sha256: &str,
        holder: &str,
        job: &str,
        now_ms: i64,
        until_ms: i64,
    ) -> Result<KeyState, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let row = sqlx::query(
            "SELECT request_sha256, job, until_ms, status, headers, body FROM idempotency_keys WHERE name = $1",
        )
        .bind(name)
        .fetch_optional(&mut *transaction)
        .await?;
        let mut job = job.to_owned();
        if let Some(row) = row {
            let same = row.try_get::<String, _>("request_sha256")? == request_sha256;
            let over = row.try_get::<i64, _>("until_ms")? <= now_ms;
            let status: Option<i64> = row.try_get("status")?;
            match (over, same, status) {
                (false, false, _) => return Ok(KeyState::Reused),
                (false, true, None) => return Ok(KeyState::InUse),
                (false, true, Some(status)) => {
                    return Ok(KeyState::Answered(Answer {
                        status: u16::try_from(status).unwrap_or(500),
                        headers: row.try_get::<Option<String>, _>("headers")?.unwrap_or_default(),
                        body: row.try_get::<Option<String>, _>("body")?.unwrap_or_default(),
                    }));
                }
                // Whoever was answering is gone; the job that it may have made is the same request's.
                (true, true, None) => job = row.try_get("job")?,
                (true, ..) => {}
            }
        }
        sqlx::query(
            "INSERT INTO idempotency_keys (name, request_sha256, holder, job, until_ms) VALUES ($1, $2, $3, $4, $5) \
             ON CONFLICT (name) DO UPDATE SET request_sha256 = $2, holder = $3, job = $4, until_ms = $5, \
             status = NULL, headers = NULL, body = NULL",
        )
        .bind(name)
        .bind(request_sha256)
        .bind(holder)
        .bind(&job)
        .bind(until_ms)
        .execute(&mut *transaction)
        .await?;
        transaction.commit().await?;
        Ok(KeyState::Ours(job))
    }

    /// Keeps the answer until a time; `false` if somebody else took the key over.
    pub async fn keep_answer(
        &self,
        name: &str,
        holder: &str,
        answer: &Answer,
        until_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let done = sqlx::query(
            "UPDATE idempotency_keys SET status = $1, headers = $2, body = $3, until_ms = $4 \
             WHERE name = $5 AND holder = $6",
        )
        .bind(i64::from(answer.status))
        .bind(&answer.headers)
        .bind(&answer.body)
        .bind(until_ms)
        .bind(name)
        .bind(holder)
        .execute(&self.pool)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Gives an unanswered key back.
    pub async fn give_key_back(&self, name: &str, holder: &str, now_ms: i64) -> Result<(), sqlx::Error> {
        sqlx::query(
            "UPDATE idempotency_keys SET until_ms = $1 WHERE name = $2 AND holder = $3 AND status IS NULL",
        )
        .bind(now_ms)
        .bind(name)
        .bind(holder)
        .execute(&self.pool)
        .await
        .map(|_| ())
    }

    /// Forgets what is kept no longer. A key without an answer is kept for a day more: a second try must find its job.
    pub async fn forget_keys(&self, now_ms: i64) -> Result<u64, sqlx::Error> {
        let gone = sqlx::query(
            "DELETE FROM idempotency_keys WHERE (status IS NOT NULL AND until_ms <= $1) \
             OR (status IS NULL AND until_ms <= $2)",
        )
        .bind(now_ms)
        .bind(now_ms - 86_400_000)
        .execute(&self.pool)
        .await?;
        Ok(gone.rows_affected())
    }
}
