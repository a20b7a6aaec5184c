//! What is written later, and together: when tokens were used, and what was refused. A flood of either costs one write
//! in some seconds, and memory for a bounded number of different ones.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use axum::http::Method;

use super::Act;
use crate::state::App;
use crate::store::{Entry, Store};

/// Different refusals between two writes; beyond it they are counted in the metrics alone.
const MOST: usize = 1_000;

/// A refusal; equal ones are counted.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Refused {
    /// Who, from where, and the kind of the problem.
    pub act: Act,
    /// The production it was about.
    pub production: Option<String>,
    /// Method and route.
    pub subject: String,
}

/// What waits to be written.
#[derive(Debug, Default)]
pub struct Clerk {
    used: Mutex<BTreeMap<String, i64>>,
    refused: Mutex<BTreeMap<Refused, u64>>,
}

/// A method that is told as it is; whatever else somebody sends is `OTHER`.
pub(super) fn verb(method: &Method) -> &'static str {
    match method.as_str() {
        "GET" => "GET",
        "HEAD" => "HEAD",
        "POST" => "POST",
        "PUT" => "PUT",
        "DELETE" => "DELETE",
        _ => "OTHER",
    }
}

impl Clerk {
    /// A token was used.
    pub fn used(&self, id: &str, now_ms: i64) {
        let mut used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
        match used.get_mut(id) {
            Some(at) => *at = now_ms.max(*at),
            None => {
                used.insert(id.to_owned(), now_ms);
            }
        }
    }

    /// Something was refused.
    pub fn refused(&self, what: Refused) {
        let mut refused = self.refused.lock().unwrap_or_else(PoisonError::into_inner);
        if refused.len() < MOST || refused.contains_key(&what) {
            *refused.entry(what).or_default() += 1;
        } else {
            metrics::counter!("condyle_refusals_unlogged_total").increment(1);
        }
    }

    /// Writes all that waits; what cannot be written goes on waiting.
    pub async fn write(&self, store: &Store, now_ms: i64) -> Result<(), sqlx::Error> {
        let used = std::mem::take(&mut *self.used.lock().unwrap_or_else(PoisonError::into_inner));
        if !used.is_empty()
            && let Err(error) = store.note_uses(used.iter().map(|(id, at)| (id.as_str(), *at))).await
        {
            for (id, at) in used {
                self.used(&id, at);
            }
            return Err(error);
        }
        let refused = std::mem::take(&mut *self.refused.lock().unwrap_or_else(PoisonError::into_inner));
        let entries: Vec<Entry<'_>> = refused
            .iter()
            .map(|(what, times)| {
                let entry = Entry::refused(*times).on(&what.subject).by(&what.act);
                match &what.production {
                    Some(production) => entry.of(production),
                    None => entry,
                }
            })
            .collect();
        if entries.is_empty() {
            return Ok(());
        }
        let outcome = store.audit(now_ms, &entries).await;
        if outcome.is_err() {
            let mut waiting = self.refused.lock().unwrap_or_else(PoisonError::into_inner);
            for (what, times) in refused {
                if waiting.len() < MOST || waiting.contains_key(&what) {
                    *waiting.entry(what).or_default() += times;
                }
            }
        }
        outcome
    }
}

/// Writes now and then until it is dropped.
pub(crate) async fn write_for_good(app: App) {
    let every = Duration::from_secs(app.config.access.write_every_s);
    loop {
        tokio::time::sleep(every).await;
        if let Err(error) = app.access.clerk().write(&app.store, crate::clock::now_ms()).await {
            tracing::warn!(%error, "uses and refusals wait for the next time");
        }
    }
}
