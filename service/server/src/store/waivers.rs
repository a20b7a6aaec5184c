//! The waivers of productions. SQL stands beside its method.

use condyle_api::EventKind;
use sqlx::AnyConnection;

use super::audit::{self, Entry};
use super::versions::{self, Kept};
use super::{Store, events};
use crate::access::Act;

impl Store {
    /// A production's waivers, a JSON list.
    pub async fn waivers(&self, production: &str) -> Result<Option<String>, sqlx::Error> {
        sqlx::query_scalar("SELECT body FROM waivers WHERE production = $1")
            .bind(production)
            .fetch_optional(&self.pool)
            .await
    }

    /// Stores a production's waivers, if what was there is still the state `seen`; `false` if it is not.
    pub async fn put_waivers(
        &self,
        production: &str,
        body: &str,
        seen: Option<i64>,
        act: &Act,
        now_ms: i64,
    ) -> Result<bool, sqlx::Error> {
        let mut transaction = self.begin().await?;
        if seen.is_some() && seen != Some(versions::last(&mut transaction, Kept::Waivers, production).await?)
        {
            return Ok(false);
        }
        write_waivers(&mut transaction, production, body, act, now_ms).await?;
        let entry = Entry::done("waivers.stored").on(production).of(production).by(act);
        audit::append(&mut transaction, self.changes().audit_keep(), now_ms, &entry).await?;
        let event = events::about(EventKind::PolicyChanged, production);
        events::append(&mut transaction, self.changes().keep(), now_ms, event).await?;
        self.publish(transaction).await?;
        Ok(true)
    }
}

pub(super) async fn write_waivers(
    connection: &mut AnyConnection,
    production: &str,
    body: &str,
    act: &Act,
    now_ms: i64,
) -> Result<(), sqlx::Error> {
    sqlx::query(
        "INSERT INTO waivers (production, body, stored_ms) VALUES ($1, $2, $3) \
         ON CONFLICT (production) DO UPDATE SET body = $2, stored_ms = $3",
    )
    .bind(production)
    .bind(body)
    .bind(now_ms)
    .execute(&mut *connection)
    .await?;
    versions::append(connection, (Kept::Waivers, production), body, None, act, now_ms).await
}
