//! Schemas of a PostgreSQL, where `CONDYLE_TEST_POSTGRES_URL` names one; an address is never guessed.

use std::path::{Path, PathBuf};
use std::sync::Once;
use std::time::{SystemTime, UNIX_EPOCH};

use sqlx::{Connection as _, PgConnection};
use url::Url;

/// The variable that names a PostgreSQL.
pub const VARIABLE: &str = "CONDYLE_TEST_POSTGRES_URL";
/// `postgres`: the services of tests store there.
const STORE: &str = "CONDYLE_TEST_STORE";
/// Seconds after which another run's schemas are litter.
const LITTER_S: u64 = 3_600;

/// The PostgreSQL for tests.
pub fn server() -> Option<Url> {
    let text = std::env::var(VARIABLE).ok().filter(|text| !text.is_empty())?;
    Some(text.parse().expect("CONDYLE_TEST_POSTGRES_URL is a URL"))
}

/// Whether the services of tests store on PostgreSQL.
pub fn wanted() -> bool {
    match std::env::var(STORE).as_deref() {
        Ok("postgres") => true,
        Ok("sqlite" | "") | Err(_) => false,
        Ok(other) => panic!("{STORE} is sqlite or postgres, not {other}"),
    }
}

/// An empty schema; it is dropped by a run an hour later, or with [`drop_schema`].
pub async fn schema(server: &Url) -> Url {
    static NEXT: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
    static SWEPT: Once = Once::new();
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("it is after 1970").as_secs();
    let number = NEXT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let name = format!("condyle_test_{now}_{}_{number}", std::process::id());
    let mut connection = connect(server).await;
    let mut first = false;
    SWEPT.call_once(|| first = true);
    if first {
        let old: Vec<String> = sqlx::query_scalar(
            "SELECT nspname::text FROM pg_namespace WHERE nspname LIKE 'condyle\\_test\\_%' \
             AND split_part(nspname, '_', 3)::bigint < $1",
        )
        .bind(now.saturating_sub(LITTER_S) as i64)
        .fetch_all(&mut connection)
        .await
        .unwrap();
        for name in old {
            // Another run may sweep too.
            run(&mut connection, format!("DROP SCHEMA IF EXISTS {name} CASCADE")).await;
        }
    }
    run(&mut connection, format!("CREATE SCHEMA {name}")).await;
    connection.close().await.unwrap();
    let mut url = server.clone();
    url.query_pairs_mut().append_pair("options[search_path]", &name).append_pair("application_name", &name);
    url
}

/// Drops a schema of [`schema`].
pub async fn drop_schema(url: &Url) {
    let (_, name) = url.query_pairs().find(|(key, _)| key == "options[search_path]").expect("one of ours");
    let mut connection = connect(url).await;
    run(&mut connection, format!("DROP SCHEMA {name} CASCADE")).await;
    connection.close().await.unwrap();
}

/// A connection of a test's own.
pub async fn connect(url: &Url) -> PgConnection {
    PgConnection::connect(url.as_str()).await.expect("CONDYLE_TEST_POSTGRES_URL answers")
}

async fn run(connection: &mut PgConnection, sql: String) {
    sqlx::raw_sql(sqlx::AssertSqlSafe(sql)).execute(connection).await.unwrap();
}

/// The file with the URL of a folder's schema: a service that is started again on the folder finds what it stored.
pub fn url_file(folder: &Path) -> PathBuf {
    let file = folder.join("store.url");
    if !file.exists() {
        let server = server().unwrap_or_else(|| panic!("{STORE}=postgres needs {VARIABLE}"));
        // On a thread of its own, for the caller may be a runtime's.
        let made = std::thread::spawn(move || {
            tokio::runtime::Builder::new_current_thread()
                .enable_all()
                .build()
                .unwrap()
                .block_on(schema(&server))
        });
        std::fs::create_dir_all(folder).unwrap();
        std::fs::write(&file, made.join().expect("a schema is made").as_str()).unwrap();
    }
    file
}
