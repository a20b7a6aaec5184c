//! A copy of the database as of one moment.

use std::collections::BTreeSet;
use std::path::Path;

use sqlx::Connection as _;
use sqlx::sqlite::{SqliteConnectOptions, SqliteConnection, SqliteJournalMode};

use super::Store;

impl Store {
    /// Copies a database, which others may be writing to, into a new file, and says which blobs the copy names.
    pub async fn copy_database(database: &Path, copy: &Path) -> Result<BTreeSet<String>, sqlx::Error> {
        let options = SqliteConnectOptions::new()
            .filename(database)
            .busy_timeout(std::time::Duration::from_secs(30))
            .create_if_missing(false);
        let mut connection = SqliteConnection::connect_with(&options).await?;
        sqlx::query("VACUUM INTO $1")
            .bind(copy.to_string_lossy().into_owned())
            .execute(&mut connection)
            .await?;
        connection.close().await?;
        std::fs::File::open(copy)?.sync_all()?;
        let options = SqliteConnectOptions::new().filename(copy).journal_mode(SqliteJournalMode::Delete);
        let mut connection = SqliteConnection::connect_with(&options).await?;
        let sound: String = sqlx::query_scalar("PRAGMA integrity_check").fetch_one(&mut connection).await?;
        if sound != "ok" {
            return Err(sqlx::Error::Protocol(format!("the copy is damaged: {sound}")));
        }
        let named: Vec<String> =
            sqlx::query_scalar("SELECT sha256 FROM blob_uses UNION SELECT sha256 FROM reference_skeletons UNION SELECT sha256 FROM job_blobs UNION \
             SELECT sha256 FROM versions WHERE sha256 IS NOT NULL")
                .fetch_all(&mut connection)
                .await?;
        connection.close().await?;
        Ok(named.into_iter().collect())
    }
}
