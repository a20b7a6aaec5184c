//! Tokens. Only digests of secrets are here. SQL stands beside its method.

use condyle_api::{Scope, Token};
use sqlx::Row as _;
use sqlx::any::AnyRow;

use super::Store;
use super::audit::{self, Entry};
use crate::access::Act;

/// Tokens that are not revoked, at most.
const MOST: i64 = 10_000;
/// A revoked token is listed for so long.
const REMEMBERED_MS: i64 = 90 * 86_400_000;

/// A token as stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredToken {
    /// Its public part.
    pub id: String,
    /// Whose it is or what it is for.
    pub name: String,
    /// What it allows.
    pub scopes: Vec<Scope>,
    /// Only for these productions.
    pub productions: Option<Vec<String>>,
    /// Digest of the whole secret, hex.
    pub sha256: String,
    /// The digest before the last rotation, and until when it is good.
    pub old: Option<(String, i64)>,
    /// When it was made.
    pub created_ms: i64,
    /// The name of the token that made it.
    pub created_by: Option<String>,
    /// Until when it is good.
    pub expires_ms: i64,
    /// When it was last rotated.
    pub rotated_ms: Option<i64>,
    /// When it was revoked.
    pub revoked_ms: Option<i64>,
    /// When it was last used.
    pub last_used_ms: Option<i64>,
}

impl StoredToken {
    /// The wire form, which has no digest.
    pub fn wire(&self) -> Token {
        let time = crate::clock::rfc3339;
        Token {
            id: self.id.clone(),
            name: self.name.clone(),
            scopes: self.scopes.clone(),
            productions: self.productions.clone(),
            created_at: time(self.created_ms),
            created_by: self.created_by.clone(),
            expires_at: time(self.expires_ms),
            rotated_at: self.rotated_ms.map(time),
            old_until: self.old.as_ref().map(|(_, until)| time(*until)),
            revoked_at: self.revoked_ms.map(time),
            last_used_at: self.last_used_ms.map(time),
        }
    }
}

/// What became of a new token.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Added {
    /// It is there.
    New,
    /// Another one that is not revoked has the name.
    Taken,
    /// There are as many as there may be.
    Full,
}

const COLUMNS: &str = "id, name, scopes, productions, sha256, old_sha256, old_until_ms, created_ms, created_by, \
                       expires_ms, rotated_ms, revoked_ms, last_used_ms";

impl Store {
    /// A token by its public part.
    pub async fn token(&self, id: &str) -> Result<Option<StoredToken>, sqlx::Error> {
        let sql = format!("SELECT {COLUMNS} FROM tokens WHERE id = $1");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_optional(&self.pool).await?;
        row.as_ref().map(read).transpose()
    }

    /// Tokens, the newest first, after a time and an id.
    pub async fn tokens(
        &self,
        after: Option<&(i64, String)>,
        limit: u32,
    ) -> Result<Vec<StoredToken>, sqlx::Error> {
        let sql = format!(
            "SELECT {COLUMNS} FROM tokens WHERE created_ms < $1 OR (created_ms = $1 AND id < $2) \
             ORDER BY created_ms DESC, id DESC LIMIT $3"
        );
        let rows = sqlx::query(sqlx::AssertSqlSafe(sql))
            .bind(after.map_or(i64::MAX, |(time, _)| *time))
            .bind(after.map_or("", |(_, id)| id))
            .bind(i64::from(limit))
            .fetch_all(&self.pool)
            .await?;
        rows.iter().map(read).collect()
    }

    /// Whether any token is good at a time.
    pub async fn has_token(&self, now_ms: i64) -> Result<bool, sqlx::Error> {
        let row = sqlx::query("SELECT 1 FROM tokens WHERE revoked_ms IS NULL AND expires_ms > $1 LIMIT 1")
            .bind(now_ms)
            .fetch_optional(&self.pool)
            .await?;
        Ok(row.is_some())
    }

    /// Stores a new token.
    pub async fn add_token(&self, new: &StoredToken, act: &Act) -> Result<Added, sqlx::Error> {
        let now = new.created_ms;
        let mut transaction = self.begin().await?;
        sqlx::query("DELETE FROM tokens WHERE revoked_ms < $1")
            .bind(now - REMEMBERED_MS)
            .execute(&mut *transaction)
            .await?;
        let there: i64 = sqlx::query_scalar("SELECT COUNT(*) FROM tokens WHERE revoked_ms IS NULL")
            .fetch_one(&mut *transaction)
            .await?;
        if there >= MOST {
            return Ok(Added::Full);
        }
        let productions = new.productions.as_ref().map(serde_json::to_string).transpose();
        let productions = productions.map_err(|error| sqlx::Error::Encode(Box::new(error)))?;
        let done = sqlx::query(
            "INSERT INTO tokens (id, name, scopes, productions, sha256, created_ms, created_by, expires_ms) \
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT DO NOTHING",
        )
        .bind(&new.id)
        .bind(&new.name)
        .bind(words(&new.scopes))
        .bind(productions)
        .bind(&new.sha256)
        .bind(now)
        .bind(&new.created_by)
        .bind(new.expires_ms)
        .execute(&mut *transaction)
        .await?;
        if done.rows_affected() != 1 {
            return Ok(Added::Taken);
        }
        let subject = told(&new.id, &new.name);
        let entry = Entry::done("token.created").on(&subject).by(act);
        audit::append(&mut transaction, self.changes().audit_keep(), now, &entry).await?;
        self.publish(transaction).await?;
        Ok(Added::New)
    }

    /// Revokes a token; revoked twice, it keeps the first time. Nothing where there is none.
    pub async fn revoke_token(
        &self,
        id: &str,
        act: &Act,
        now_ms: i64,
    ) -> Result<Option<StoredToken>, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let done = sqlx::query("UPDATE tokens SET revoked_ms = $2 WHERE id = $1 AND revoked_ms IS NULL")
            .bind(id)
            .bind(now_ms)
            .execute(&mut *transaction)
            .await?;
        let sql = format!("SELECT {COLUMNS} FROM tokens WHERE id = $1");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_optional(&mut *transaction).await?;
        let Some(there) = row.as_ref().map(read).transpose()? else { return Ok(None) };
        if done.rows_affected() == 1 {
            let subject = told(id, &there.name);
            let entry = Entry::done("token.revoked").on(&subject).by(act);
            audit::append(&mut transaction, self.changes().audit_keep(), now_ms, &entry).await?;
        }
        self.publish(transaction).await?;
        Ok(Some(there))
    }

    /// Gives a token another secret; the old one is good until a time. Nothing where there is none that is not revoked.
    pub async fn rotate_token(
        &self,
        id: &str,
        sha256: &str,
        old_until_ms: i64,
        expires_ms: Option<i64>,
        act: &Act,
        now_ms: i64,
    ) -> Result<Option<StoredToken>, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let done = sqlx::query(
            "UPDATE tokens SET old_sha256 = sha256, old_until_ms = $3, sha256 = $2, rotated_ms = $4, \
             expires_ms = COALESCE($5, expires_ms) WHERE id = $1 AND revoked_ms IS NULL",
        )
        .bind(id)
        .bind(sha256)
        .bind(old_until_ms)
        .bind(now_ms)
        .bind(expires_ms)
        .execute(&mut *transaction)
        .await?;
        if done.rows_affected() != 1 {
            return Ok(None);
        }
        let sql = format!("SELECT {COLUMNS} FROM tokens WHERE id = $1");
        let row = sqlx::query(sqlx::AssertSqlSafe(sql)).bind(id).fetch_one(&mut *transaction).await?;
        let there = read(&row)?;
        let subject = told(id, &there.name);
        let entry = Entry::done("token.rotated").on(&subject).by(act);
        audit::append(&mut transaction, self.changes().audit_keep(), now_ms, &entry).await?;
        self.publish(transaction).await?;
        Ok(Some(there))
    }

    /// Notes when tokens were last used. No answer that is remembered tells it, so none is made stale by it.
    pub(crate) async fn note_uses(&self, uses: impl Iterator<Item = (&str, i64)>) -> Result<(), sqlx::Error> {
        let mut transaction = self.begin().await?;
        for (id, at) in uses {
            sqlx::query(
                "UPDATE tokens SET last_used_ms = $2 WHERE id = $1 AND COALESCE(last_used_ms, 0) < $2",
            )
            .bind(id)
            .bind(at)
            .execute(&mut *transaction)
            .await?;
        }
        transaction.commit().await
    }
}

/// A token as the audit log tells it.
fn told(id: &str, name: &str) -> String {
    format!("{name} ({id})")
}

fn words(scopes: &[Scope]) -> String {
    let words: Vec<&str> = scopes.iter().map(|scope| scope.word()).collect();
    words.join(" ")
}

fn read(row: &AnyRow) -> Result<StoredToken, sqlx::Error> {
    let scopes: String = row.try_get("scopes")?;
    let all = [Scope::Read, Scope::Submit, Scope::Administer];
    // A word that this version does not know allows nothing.
    let scopes =
        scopes.split(' ').filter_map(|word| all.into_iter().find(|scope| scope.word() == word)).collect();
    let productions: Option<String> = row.try_get("productions")?;
    let productions = productions.map(|text| serde_json::from_str(&text)).transpose();
    let old: (Option<String>, Option<i64>) = (row.try_get("old_sha256")?, row.try_get("old_until_ms")?);
    Ok(StoredToken {
        id: row.try_get("id")?,
        name: row.try_get("name")?,
        scopes,
        productions: productions.map_err(|error| sqlx::Error::Decode(Box::new(error)))?,
        sha256: row.try_get("sha256")?,
        old: old.0.zip(old.1),
        created_ms: row.try_get("created_ms")?,
        created_by: row.try_get("created_by")?,
        expires_ms: row.try_get("expires_ms")?,
        rotated_ms: row.try_get("rotated_ms")?,
        revoked_ms: row.try_get("revoked_ms")?,
        last_used_ms: row.try_get("last_used_ms")?,
    })
}
