//! The two engines: an embedded SQLite file, or a PostgreSQL that several processes may share. SQL is written once, in
//! what both understand; all that differs stands here.
//!
//! Both have one writer at a time. SQLite is made so; on PostgreSQL whoever writes what it read takes one advisory lock
//! for its transaction, and each statement after it sees all that earlier writers committed. Single statements that
//! decide by their own row alone need no lock.

use std::fmt::Write as _;
use std::path::Path;
use std::time::Duration;

use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::{Any, AnyConnection, AnyPool, ConnectOptions as _, Connection as _, Transaction};
use url::Url;

/// Seconds that anybody waits for a lock or a connection.
const PATIENCE: Duration = Duration::from_secs(5);
/// Connections to the embedded file.
const FILE_CONNECTIONS: u32 = 4;

/// What each session of a server is told: waiting for a lock ends like SQLite's, and a process that hangs in the middle
/// of a write gives its lock up. The rest is what SQL here is written for, whatever the server's defaults are.
const SESSION: [(&str, &str); 4] = [
    ("options[lock_timeout]", "5s"),
    ("options[idle_in_transaction_session_timeout]", "60s"),
    ("options[default_transaction_isolation]", "read committed"),
    ("options[standard_conforming_strings]", "on"),
];

/// Which one it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Engine {
    /// The file of one process.
    Sqlite,
    /// A server, for one process or several.
    Postgres,
}

impl Engine {
    /// Begins a transaction that writes what it reads: no other of its kind runs beside it.
    pub(super) async fn begin(self, pool: &AnyPool) -> Result<Transaction<'static, Any>, sqlx::Error> {
        match self {
            Self::Sqlite => pool.begin_with("BEGIN IMMEDIATE").await,
            Self::Postgres => {
                // Apart from it, so that a lock that is not given leaves a transaction that is given up, not a
                // connection in the middle of one.
                let mut transaction = pool.begin().await?;
                alone(&mut transaction).await?;
                Ok(transaction)
            }
        }
    }

    /// What lets a claim pass by the rows that others are about to claim.
    pub(crate) const fn skip_locked(self) -> &'static str {
        match self {
            Self::Sqlite => "",
            Self::Postgres => "FOR UPDATE SKIP LOCKED",
        }
    }
}

/// Waits for the right to write, which the transaction has to its end. One for each schema: the table's number names it.
async fn alone(transaction: &mut AnyConnection) -> Result<(), sqlx::Error> {
    sqlx::query("SELECT pg_advisory_xact_lock('counters'::regclass::oid::bigint)")
        .execute(transaction)
        .await
        .map(|_| ())
}

/// The file's connections; it is created and migrated.
pub(super) async fn sqlite(file: &Path) -> Result<AnyPool, sqlx::Error> {
    let path = file.to_str().ok_or_else(|| {
        sqlx::Error::Configuration(format!("{} is not UTF-8, as SQLite needs it", file.display()).into())
    })?;
    let url = format!("sqlite:{}?mode=rwc", utf8_percent_encode(path, NON_ALPHANUMERIC));
    let options = url.parse()?;
    // On a connection before the pool, which would hide what is wrong with the file behind a time-out. The mode stays
    // with the file; foreign keys and five seconds of patience are what sqlx sets, a full sync is SQLite's own default.
    let mut first = first(&options).await?;
    let mode: String = sqlx::query_scalar("PRAGMA journal_mode = WAL").fetch_one(&mut first).await?;
    let (sync, keys): (i64, i64) =
        sqlx::query_as("SELECT * FROM pragma_synchronous, pragma_foreign_keys").fetch_one(&mut first).await?;
    if (mode.as_str(), sync, keys) != ("wal", 2, 1) {
        let text = format!("SQLite's journal is {mode}, its synchronous {sync} and its foreign keys {keys}");
        return Err(sqlx::Error::Configuration(text.into()));
    }
    first.close().await?;
    let pool = connect(options, FILE_CONNECTIONS).await?;
    migrate(&pool).await?;
    Ok(pool)
}

/// The server's connections; what is there is migrated.
pub(super) async fn postgres(url: &Url, connections: u32) -> Result<AnyPool, sqlx::Error> {
    let options = AnyConnectOptions::from_url(url)?;
    first(&options).await?.close().await?;
    // An ordinary session, which waits as long as it takes others to migrate.
    let setup = connect(options, 1).await?;
    fit(&setup).await?;
    migrate(&setup).await?;
    order_by_bytes(&setup).await?;
    setup.close().await;
    let mut url = url.clone();
    url.query_pairs_mut().extend_pairs(SESSION);
    connect(AnyConnectOptions::from_url(&url)?, connections).await
}

async fn migrate(pool: &AnyPool) -> Result<(), sqlx::Error> {
    sqlx::migrate!("./migrations").run(pool).await.map_err(|error| sqlx::Error::Migrate(Box::new(error)))
}

/// Whether a server is fit for use.
async fn fit(pool: &AnyPool) -> Result<(), sqlx::Error> {
    let (encoding, commit, sync): (String, String, String) = sqlx::query_as(
        "SELECT current_setting('server_encoding'), current_setting('synchronous_commit'), current_setting('fsync')",
    )
    .fetch_one(pool)
    .await?;
    if encoding != "UTF8" {
        let text = format!("the database's encoding is {encoding}; create it with ENCODING 'UTF8'");
        return Err(sqlx::Error::Configuration(text.into()));
    }
    if commit == "off" || sync == "off" {
        tracing::warn!(
            synchronous_commit = commit,
            fsync = sync,
            "what is acknowledged may be lost when the database server crashes"
        );
    }
    Ok(())
}

/// Makes texts compare by their bytes, as SQLite compares them: the order of lists and of their cursors must not depend
/// on the language that a server was set up for.
async fn order_by_bytes(pool: &AnyPool) -> Result<(), sqlx::Error> {
    let mut transaction = pool.begin().await?;
    alone(&mut transaction).await?;
    let columns: Vec<(String, String)> = sqlx::query_as(
        "SELECT CAST(table_name AS TEXT), CAST(column_name AS TEXT) FROM information_schema.columns \
         WHERE table_schema = current_schema() AND data_type = 'text' AND collation_name IS DISTINCT FROM 'C' \
         AND table_name <> '_sqlx_migrations' ORDER BY table_name, ordinal_position",
    )
    .fetch_all(&mut *transaction)
    .await?;
    let mut statement = String::new();
    for columns in columns.chunk_by(|(one, _), (next, _)| one == next) {
        // Names of our own migrations; all of a table at once, so that its indexes are made anew but once.
        let list: Vec<String> = columns
            .iter()
            .map(|(_, column)| format!("ALTER COLUMN {column} TYPE TEXT COLLATE \"C\""))
            .collect();
        let _ = write!(statement, "ALTER TABLE {} {}; ", columns[0].0, list.join(", "));
    }
    if !statement.is_empty() {
        sqlx::raw_sql(sqlx::AssertSqlSafe(statement)).execute(&mut *transaction).await?;
    }
    transaction.commit().await
}

/// One connection, which tells at once what is wrong.
async fn first(options: &AnyConnectOptions) -> Result<AnyConnection, sqlx::Error> {
    sqlx::any::install_default_drivers();
    options.connect().await
}

async fn connect(options: AnyConnectOptions, connections: u32) -> Result<AnyPool, sqlx::Error> {
    let pool = AnyPoolOptions::new().max_connections(connections).acquire_timeout(PATIENCE);
    pool.connect_with(options).await
}
