//! Profiles, reference skeletons and production policies. SQL stands beside its method.

use std::collections::BTreeMap;
use std::sync::{Arc, PoisonError};

use condyle_api::EventKind;
use sqlx::{AnyConnection, Row as _};

use super::audit::{self, Entry};
use super::versions::{self, Kept};
use super::{Store, events};
use crate::access::Act;

/// A stored reference skeleton; its bytes are a blob.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredReference {
    /// The file name as uploaded.
    pub file: String,
    /// Digest of the bytes.
    pub sha256: String,
    /// Size, bytes.
    pub bytes: u64,
}

/// What every check may ask for by name.
#[derive(Debug, Default)]
pub struct Named {
    /// Texts of the stored profiles.
    pub profiles: BTreeMap<String, String>,
    /// The stored reference skeletons.
    pub references: BTreeMap<String, StoredReference>,
}

impl Store {
    /// Profiles and references, from memory where nothing was written since they were read.
    pub async fn named(&self) -> Result<Arc<Named>, sqlx::Error> {
        // Taken before anything is read: a write that comes in between makes what is remembered out of date.
        let now = self.generation().await?;
        let known = self.named.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some((_, named)) = known.filter(|(then, _)| *then == now) {
            return Ok(named);
        }
        let (profiles, references) = (self.profiles().await?, self.references().await?);
        let named = Arc::new(Named { profiles, references });
        *self.named.lock().unwrap_or_else(PoisonError::into_inner) = Some((now, Arc::clone(&named)));
        Ok(named)
    }

    /// Texts of the stored profiles, by name.
    pub async fn profiles(&self) -> Result<BTreeMap<String, String>, sqlx::Error> {
        let rows = sqlx::query("SELECT name, body FROM profiles ORDER BY name").fetch_all(&self.pool).await?;
        rows.iter().map(|row| Ok((row.try_get("name")?, row.try_get("body")?))).collect()
    }

    /// Stores a profile in the place of what was there, if that is still `before`; `false` if it is not.
    pub async fn put_profile(
        &self,
        name: &str,
        body: &str,
        before: Option<&str>,
        act: &Act,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        let done = sqlx::query(
            "INSERT INTO profiles (name, body, stored_ms) SELECT $1, $2, $3 WHERE CAST($4 AS TEXT) IS NULL \
             OR EXISTS (SELECT 1 FROM profiles WHERE name = $1) \
             ON CONFLICT (name) DO UPDATE SET body = $2, stored_ms = $3 WHERE profiles.body = $4",
        )
        .bind(name)
        .bind(body)
        .bind(now_ms)
        .bind(before)
        .execute(&mut *transaction)
        .await?;
        if done.rows_affected() != 1 {
            return Ok(false);
        }
        versions::append(&mut transaction, (Kept::Profile, name), body, None, act, now_ms).await?;
        let entry = Entry::done("profile.stored").on(name).by(act);
        audit::append(&mut transaction, self.changes.audit_keep(), now_ms, &entry).await?;
        self.publish(transaction).await?;
        Ok(true)
    }

    /// The stored reference skeletons, by name.
    pub async fn references(&self) -> Result<BTreeMap<String, StoredReference>, sqlx::Error> {
        let rows = sqlx::query("SELECT name, file, sha256, bytes FROM reference_skeletons ORDER BY name")
            .fetch_all(&self.pool)
            .await?;
        rows.iter()
            .map(|row| {
                let stored = StoredReference {
                    file: row.try_get("file")?,
                    sha256: row.try_get("sha256")?,
                    bytes: row.try_get::<i64, _>("bytes")?.max(0) as u64,
                };
                Ok((row.try_get("name")?, stored))
            })
            .collect()
    }

    /// Stores a reference skeleton, in the place of what was there, if that is still the state `seen`; `false` if it
    /// is not.
    pub async fn put_reference(
        &self,
        name: &str,
        stored: &StoredReference,
        seen: Option<i64>,
        act: &Act,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        if seen.is_some() && seen != Some(versions::last(&mut transaction, Kept::Reference, name).await?) {
            return Ok(false);
        }
        sqlx::query(
            "INSERT INTO reference_skeletons (name, file, sha256, bytes, stored_ms) VALUES ($1, $2, $3, $4, $5) \
             ON CONFLICT (name) DO UPDATE SET file = $2, sha256 = $3, bytes = $4, stored_ms = $5",
        )
        .bind(name)
        .bind(&stored.file)
        .bind(&stored.sha256)
        .bind(stored.bytes as i64)
        .bind(now_ms)
        .execute(&mut *transaction)
        .await?;
        let at = (Kept::Reference, name);
        versions::append(&mut transaction, at, &stored.file, Some(stored), act, now_ms).await?;
        let entry = Entry::done("reference.stored").on(name).by(act);
        audit::append(&mut transaction, self.changes.audit_keep(), now_ms, &entry).await?;
        self.publish(transaction).await?;
        Ok(true)
    }

    /// What a production agreed on, JSON.
    pub async fn policy(&self, production: &str) -> Result<Option<String>, sqlx::Error> {
        sqlx::query_scalar("SELECT body FROM policies WHERE production = $1")
            .bind(production)
            .fetch_optional(&self.pool)
            .await
    }

    /// Stores what a production agreed on, if what was there is still the state `seen`; `false` if it is not.
    pub async fn put_policy(
        &self,
        production: &str,
        body: &str,
        seen: Option<i64>,
        act: &Act,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        if seen.is_some() && seen != Some(versions::last(&mut transaction, Kept::Policy, production).await?) {
            return Ok(false);
        }
        write_policy(&mut transaction, production, body, act, now_ms).await?;
        let entry = Entry::done("policy.stored").on(production).of(production).by(act);
        audit::append(&mut transaction, self.changes.audit_keep(), now_ms, &entry).await?;
        let event = events::about(EventKind::PolicyChanged, production);
        events::append(&mut transaction, self.changes.keep(), now_ms, event).await?;
        self.publish(transaction).await?;
        Ok(true)
    }

    /// Productions that agreed on something, with what they agreed on, JSON.
    pub async fn policies(&self) -> Result<Vec<(String, String)>, sqlx::Error> {
        sqlx::query_as("SELECT production, body FROM policies ORDER BY production")
            .fetch_all(&self.pool)
            .await
    }
}

pub(super) async fn write_policy(
    connection: &mut AnyConnection,
    production: &str,
    body: &str,
    act: &Act,
    now_ms: i64,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO policies (production, body, stored_ms) VALUES ($1, $2, $3) \
         ON CONFLICT (production) DO UPDATE SET body = $2, stored_ms = $3",
    )
    .bind(production)
    .bind(body)
    .bind(now_ms)
    .execute(&mut *connection)
    .await?;
    versions::append(connection, (Kept::Policy, production), body, None, act, now_ms).await
}
