//! What the store and the queue promise, on both engines: each case runs on a SQLite file of its own and on a schema of
//! its own of the PostgreSQL that `CONDYLE_TEST_POSTGRES_URL` names. Without it those are ignored with the reason; under
//! `CI` that is a failure.
#![expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

mod jobs;
mod postgres_only;
mod rechecks;
mod revisions;
mod shared;
mod statements;

use std::pin::Pin;
use std::process::ExitCode;

use condyle_server::store::Store;
use condyle_tests::postgres::{self, VARIABLE};
use libtest_mimic::{Arguments, Failed, Trial};

/// A database as two processes see it; on SQLite, which is for one, both are the same.
pub(crate) struct Pair {
    pub(crate) one: Store,
    pub(crate) other: Store,
}

pub(crate) type Work = Pin<Box<dyn Future<Output = ()>>>;

/// A name and what it does.
pub(crate) type Case = (&'static str, fn(Pair) -> Work);

/// Lists async functions as cases.
macro_rules! cases {
    ($($name:ident),+ $(,)?) => {
        pub(crate) const CASES: &[crate::Case] =
            &[$((stringify!($name), |pair| Box::pin($name(pair)) as crate::Work)),+];
    };
}
pub(crate) use cases;

fn main() -> ExitCode {
    let arguments = Arguments::from_args();
    let ci = std::env::var_os("CI").is_some();
    let cases = || [revisions::CASES, shared::CASES, jobs::CASES, rechecks::CASES].concat();
    let mut trials = Vec::new();
    for (name, case) in cases() {
        trials.push(trial(format!("sqlite: {name}"), move || on_sqlite(case)));
    }
    trials.push(trial("sqlite: every statement is understood".to_owned(), || {
        Box::pin(statements::on_sqlite())
    }));
    let both = cases().into_iter().map(|(name, case)| (name, Of::Both(case)));
    for (name, of) in both.chain(postgres_only::TRIALS.iter().map(|(name, work)| (*name, Of::Server(*work))))
    {
        let name = format!("postgres: {name}");
        trials.push(match postgres::server() {
            Some(_) => trial(name, move || match of {
                Of::Both(case) => on_postgres(case),
                Of::Server(work) => work(),
            }),
            None => {
                let text = format!("needs {VARIABLE}");
                let name = format!("{name} ({text})");
                Trial::test(name, move || Err(Failed::from(text))).with_ignored_flag(!ci)
            }
        });
    }
    libtest_mimic::run(&arguments, trials).exit_code()
}

/// What a trial on a server is of.
#[derive(Clone, Copy)]
enum Of {
    Both(fn(Pair) -> Work),
    Server(fn() -> Work),
}

/// A trial on a runtime of its own.
fn trial(name: String, work: impl FnOnce() -> Work + Send + 'static) -> Trial {
    Trial::test(name, move || {
        let mut runtime = tokio::runtime::Builder::new_multi_thread();
        runtime.worker_threads(2).enable_all().build()?.block_on(work());
        Ok(())
    })
}

fn on_sqlite(case: fn(Pair) -> Work) -> Work {
    Box::pin(async move {
        let folder = tempfile::tempdir().unwrap();
        let one = Store::open(&folder.path().join("condyle.sqlite")).await.unwrap();
        let other = one.clone();
        case(Pair { one, other }).await;
    })
}

fn on_postgres(case: fn(Pair) -> Work) -> Work {
    Box::pin(async move {
        let url = postgres::schema(&postgres::server().unwrap()).await;
        let (one, other) = tokio::join!(Store::connect(&url, 4), Store::connect(&url, 4));
        let (one, other) = (one.unwrap(), other.unwrap());
        case(Pair { one: one.clone(), other: other.clone() }).await;
        one.close().await;
        other.close().await;
        postgres::drop_schema(&url).await;
    })
}
