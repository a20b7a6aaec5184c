//! The history of profiles, reference skeletons and policies. SQL stands beside its method.

use condyle_api::Version;
use condyle_core::intake::file_digest;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row as _};

use super::{Store, StoredReference};
use crate::access::Act;

/// States of one thing that are kept.
const KEPT: i64 = 500;

/// What has a history.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// A profile.
    Profile,
    /// A reference skeleton.
    Reference,
    /// What a production agreed on.
    Policy,
    /// Its waivers.
    Waivers,
}

impl Kept {
    fn word(self) -> &'static str {
        match self {
            Self::Profile => "profile",
            Self::Reference => "reference",
            Self::Policy => "policy",
            Self::Waivers => "waivers",
        }
    }
}

/// Adds a state in the transaction that stores it; `blob` where its content is one.
pub(super) async fn append(
    connection: &mut AnyConnection,
    (kind, name): (Kept, &str),
    body: &str,
    blob: Option<&StoredReference>,
    act: &Act,
    now_ms: i64,
) -> Result<(), sqlx::Error> {
    let last = last(connection, kind, name).await?;
    sqlx::query(
        "INSERT INTO versions (kind, name, number, body, sha256, bytes, who, token, why, at_ms) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(kind.word())
    .bind(name)
    .bind(last + 1)
    .bind(body)
    .bind(blob.map(|blob| &blob.sha256))
    .bind(blob.map(|blob| blob.bytes as i64))
    .bind(&act.who)
    .bind(&act.token)
    .bind(&act.why)
    .bind(now_ms)
    .execute(&mut *connection)
    .await?;
    sqlx::query("DELETE FROM versions WHERE kind = $1 AND name = $2 AND number <= $3")
        .bind(kind.word())
        .bind(name)
        .bind(last + 1 - KEPT)
        .execute(connection)
        .await
        .map(|_| ())
}

/// The number of the state that is there; 0 where there is none.
pub(super) async fn last(connection: &mut AnyConnection, kind: Kept, name: &str) -> Result<i64, sqlx::Error> {
    sqlx::query_scalar("SELECT COALESCE(MAX(number), 0) FROM versions WHERE kind = $1 AND name = $2")
        .bind(kind.word())
        .bind(name)
        .fetch_one(connection)
        .await
}

impl Store {
    /// The number of the state that is there; 0 where there is none.
    pub async fn version(&self, kind: Kept, name: &str) -> Result<i64, sqlx::Error> {
        let mut connection = self.pool.acquire().await?;
        last(&mut connection, kind, name).await
    }

    /// States, the newest first, below a number.
    pub async fn versions(
        &self,
        (kind, name): (Kept, &str),
        below: Option<i64>,
        limit: u32,
    ) -> Result<Vec<Version>, sqlx::Error> {
        let rows = sqlx::query(
            "SELECT number, body, sha256, bytes, who, token, why, at_ms FROM versions \
             WHERE kind = $1 AND name = $2 AND number < $3 ORDER BY number DESC LIMIT $4",
        )
        .bind(kind.word())
        .bind(name)
        .bind(below.unwrap_or(i64::MAX))
        .bind(i64::from(limit))
        .fetch_all(&self.pool)
        .await?;
        rows.iter().map(read).collect()
    }

    /// The digest of a state of a reference skeleton, whose bytes are a blob.
    pub async fn reference_version(&self, name: &str, number: i64) -> Result<Option<String>, sqlx::Error> {
        let found: Option<Option<String>> = sqlx::query_scalar(
            "SELECT sha256 FROM versions WHERE kind = 'reference' AND name = $1 AND number = $2",
        )
        .bind(name)
        .bind(number)
        .fetch_optional(&self.pool)
        .await?;
        Ok(found.flatten())
    }
}

fn read(row: &AnyRow) -> Result<Version, sqlx::Error> {
    let body: String = row.try_get("body")?;
    let blob: (Option<String>, Option<i64>) = (row.try_get("sha256")?, row.try_get("bytes")?);
    let (sha256, bytes) = match blob {
        (Some(sha256), bytes) => (sha256, bytes.unwrap_or(0).max(0) as u64),
        (None, _) => (file_digest(body.as_bytes()), body.len() as u64),
    };
    Ok(Version {
        number: row.try_get::<i64, _>("number")?.max(0) as u64,
        at: crate::clock::rfc3339(row.try_get("at_ms")?),
        who: row.try_get("who")?,
        token: row.try_get("token")?,
        why: row.try_get("why")?,
        sha256,
        bytes,
        content: Some(body),
    })
}
