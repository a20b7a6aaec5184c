//! Every SQL statement in the sources of the store and the queue is prepared on both engines: none is understood by one
//! alone, and none names what is not there.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use condyle_server::store::Store;
use condyle_tests::postgres;
use sqlx::{AssertSqlSafe, Connection as _, Executor as _, SqlSafeStr as _, SqliteConnection};

/// What only one engine is asked, and how it is opened.
const ONE_ENGINE: [&str; 2] = ["engine.rs", "copy.rs"];

pub(crate) async fn on_sqlite() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("condyle.sqlite");
    let store = Store::open(&file).await.unwrap();
    let mut connection = SqliteConnection::connect(&format!("sqlite://{}", file.display())).await.unwrap();
    for (place, sql) in statements("") {
        let prepared = (&mut connection).prepare(AssertSqlSafe(sql.clone()).into_sql_str()).await;
        assert!(prepared.is_ok(), "{place}: {sql}: {}", prepared.err().unwrap());
    }
    store.close().await;
}

pub(crate) async fn on_postgres() {
    let url = postgres::schema(&postgres::server().unwrap()).await;
    let store = Store::connect(&url, 2).await.unwrap();
    let mut connection = postgres::connect(&url).await;
    for (place, sql) in statements("FOR UPDATE SKIP LOCKED") {
        let prepared = (&mut connection).prepare(AssertSqlSafe(sql.clone()).into_sql_str()).await;
        assert!(prepared.is_ok(), "{place}: {sql}: {}", prepared.err().unwrap());
    }
    store.close().await;
    postgres::drop_schema(&url).await;
}

/// The statements with their files; `skip` stands for what differs.
fn statements(skip: &str) -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../service/server/src");
    let mut found = Vec::new();
    for path in sources(&root) {
        let text = std::fs::read_to_string(&path).unwrap();
        let code = text.split("#[cfg(test)]").next().unwrap();
        let mut constants: BTreeMap<String, String> = BTreeMap::new();
        for (before, literal) in literals(code) {
            let mut sql = literal.replace("{}", skip).replace("{within}", "");
            for (name, value) in &constants {
                sql = sql.replace(&format!("{{{name}}}"), value);
            }
            if let Some(name) = before.strip_suffix(": &str =").and_then(|before| before.rsplit(' ').next()) {
                constants.insert(name.to_owned(), sql.clone());
            }
            if ["SELECT ", "INSERT ", "UPDATE ", "DELETE "].iter().any(|verb| sql.starts_with(verb)) {
                assert!(!sql.contains('{'), "{}: {sql}", path.display());
                found.push((path.file_name().unwrap().to_string_lossy().into_owned(), sql));
            }
        }
    }
    assert!(found.len() > 70, "{} statements", found.len());
    found
}

fn sources(root: &Path) -> Vec<PathBuf> {
    let mut all = vec![root.join("store.rs"), root.join("queue.rs")];
    for folder in ["store", "queue"] {
        let files = std::fs::read_dir(root.join(folder)).unwrap().map(|file| file.unwrap().path());
        all.extend(files.filter(|path| !ONE_ENGINE.iter().any(|name| path.ends_with(name))));
    }
    all.sort();
    all
}

/// The string literals of a source, each with the code before it on its line or the line before.
fn literals(code: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut before = String::new();
    let mut rest = code.chars().peekable();
    while let Some(one) = rest.next() {
        match one {
            '/' if rest.peek() == Some(&'/') => while rest.next_if(|next| *next != '\n').is_some() {},
            '\'' if rest.peek() == Some(&'"') => {
                rest.next();
            }
            '"' => {
                found.push((before.trim_end().to_owned(), literal(&mut rest)));
                before.clear();
            }
            other => before.push(other),
        }
    }
    found
}

/// What a literal says, from behind its first quote.
fn literal(rest: &mut std::iter::Peekable<std::str::Chars<'_>>) -> String {
    let mut text = String::new();
    while let Some(one) = rest.next() {
        match one {
            '"' => break,
            '\\' => match rest.next() {
                Some('\n') => while rest.next_if(|next| next.is_whitespace()).is_some() {},
                Some('n') => text.push('\n'),
                Some(other) => text.push(other),
                None => break,
            },
            other => text.push(other),
        }
    }
    text
}
