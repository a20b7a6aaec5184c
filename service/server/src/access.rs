//! Who may do what: bearer tokens (RFC 6750), scopes limited to productions, and the pace that each may go at.
//!
//! A secret is 256 bits from the operating system, so its digest needs no slow hash: nobody can try that many, and
//! SHA-256 of a random 256-bit text tells nothing about it. Digests are compared in constant time.
//!
//! `layer` finds out who asks, [`May`] in a handler's signature says what that takes. Without tokens everybody is
//! [`Caller::Anyone`], and the service listens on loopback only.

mod address;
mod caller;
mod clerk;
mod layer;
mod pace;
pub mod secret;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::watch;

pub use address::Peer;
pub use caller::{Act, Administer, AdministerAll, Caller, Known, May, Reach, Read, ReadAll, Right, Submit};
pub(crate) use clerk::write_for_good;
pub use clerk::{Clerk, Refused};
pub use layer::{ForPeople, address_key, authenticate, refuse, session_cookie};
pub use pace::{Pace, Taken};

use crate::config::Config;
use crate::problem::ApiError;
use crate::store::{Store, StoredToken};

/// What another process did to a token (the command line, another replica) is felt after this time; what this one did,
/// at once.
const TRUSTED: Duration = Duration::from_secs(5);
/// Tokens that are remembered, good ones and bad ones; beyond it all are forgotten, which costs one look each.
const MOST: usize = 4_096;

/// Why a token is not good.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Bad {
    /// It is no token of ours, or its secret is wrong.
    Unknown,
    /// It was revoked.
    Revoked,
    /// Its time is over.
    Expired,
}

/// Cheap to clone; one per service.
#[derive(Debug, Clone)]
pub struct Access(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    on: bool,
    begun: Instant,
    /// By token.
    pace: Pace,
    /// Bad tokens, by address.
    guesses: Pace,
    clerk: Clerk,
    known: Mutex<BTreeMap<String, (Instant, Arc<StoredToken>)>>,
    /// Digests of bad tokens: one that comes again and again is a program that was forgotten, and no guess.
    bad: Mutex<BTreeSet<String>>,
    /// Counts up with every change of a token by this process.
    epoch: watch::Sender<u64>,
}

impl Access {
    /// As configured.
    pub fn new(config: &Config) -> Self {
        let settings = &config.access;
        Self(Arc::new(Inner {
            on: settings.tokens,
            begun: Instant::now(),
            pace: Pace::per_minute(settings.requests_per_minute),
            guesses: Pace::per_minute(settings.bad_tokens_per_minute),
            clerk: Clerk::default(),
            known: Mutex::default(),
            bad: Mutex::default(),
            epoch: watch::channel(0).0,
        }))
    }

    /// Whether tokens are needed.
    pub fn on(&self) -> bool {
        self.0.on
    }

    /// What is written later.
    pub fn clerk(&self) -> &Clerk {
        &self.0.clerk
    }

    /// Microseconds since the service began; never goes back.
    fn now_us(&self) -> u64 {
        u64::try_from(self.0.begun.elapsed().as_micros()).unwrap_or(u64::MAX)
    }

    /// Takes one request from what a token may do.
    pub(crate) fn take(&self, id: &str) -> Taken {
        self.0.pace.take(id, self.now_us())
    }

    /// A token of this process changed: nothing that is remembered holds.
    pub fn changed(&self) {
        // First, so that a look that is on its way is not remembered after the clearance.
        self.0.epoch.send_modify(|epoch| *epoch += 1);
        self.0.known.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// Resolves when a token of this process changes.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.0.epoch.subscribe()
    }

    /// Whose secret this is. From an address that sent too many bad ones nothing is looked at any more.
    pub async fn verify(&self, store: &Store, text: &str, address: &str) -> Result<Arc<Known>, ApiError> {
        if let Some(retry_s) = self.0.guesses.spent(address, self.now_us()) {
            return Err(ApiError::TooMany { retry_s });
        }
        let there = match secret::id(text) {
            Some(id) => self.stored(store, id).await?,
            None => None,
        };
        let now = crate::clock::now_ms();
        // The look and its price are one step, so that many guesses at once are not looked at for the price of one.
        let looked = self.0.guesses.unless_spent(address, self.now_us(), || {
            let outcome = judge(there.as_deref(), text, now);
            // Who has the secret of a token that is over does not guess, nor does who says the same again.
            let free = outcome != Err(Bad::Unknown) || self.seen(text);
            (outcome, free)
        });
        match (looked, there) {
            (Err(retry_s), _) => Err(ApiError::TooMany { retry_s }),
            (Ok(Err(bad)), _) => Err(ApiError::TokenInvalid(bad)),
            (Ok(Ok(())), Some(there)) => Ok(Arc::new(Known::of(&there))),
            (Ok(Ok(())), None) => Err(ApiError::TokenInvalid(Bad::Unknown)),
        }
    }

    /// Whether this bad token came before; it is remembered. No secret that is made later can be the same.
    fn seen(&self, text: &str) -> bool {
        let mut bad = self.0.bad.lock().unwrap_or_else(PoisonError::into_inner);
        if bad.len() >= MOST {
            bad.clear();
        }
        !bad.insert(secret::digest(text))
    }

    /// Whether what was let in may go on: a stream lives longer than a request.
    pub async fn still(&self, store: &Store, caller: &Caller) -> bool {
        let Caller::Token(known) = caller else { return true };
        let there = self.stored(store, &known.id).await.ok().flatten();
        there.is_some_and(|there| good(&there, crate::clock::now_ms()).is_ok())
    }

    /// A token from memory, or from the store.
    async fn stored(&self, store: &Store, id: &str) -> Result<Option<Arc<StoredToken>>, ApiError> {
        let remembered = self.0.known.lock().unwrap_or_else(PoisonError::into_inner).get(id).cloned();
        if let Some((_, there)) = remembered.filter(|(since, _)| since.elapsed() < TRUSTED) {
            return Ok(Some(there));
        }
        // Taken before the look: what changes in between is not remembered.
        let epoch = *self.0.epoch.borrow();
        let Some(there) = store.token(id).await?.map(Arc::new) else { return Ok(None) };
        let mut known = self.0.known.lock().unwrap_or_else(PoisonError::into_inner);
        if *self.0.epoch.borrow() == epoch {
            if known.len() >= MOST {
                known.clear();
            }
            known.insert(id.to_owned(), (Instant::now(), Arc::clone(&there)));
        }
        Ok(Some(there))
    }
}

/// Whether the secret is a token's. Why it is not good is told only to who has the secret.
fn judge(there: Option<&StoredToken>, text: &str, now_ms: i64) -> Result<(), Bad> {
    let shown = secret::digest(text);
    let Some(there) = there else { return Err(Bad::Unknown) };
    let now = secret::same(&shown, &there.sha256);
    let before = there.old.as_ref().is_some_and(|(old, _)| secret::same(&shown, old));
    if !now && !before {
        return Err(Bad::Unknown);
    }
    good(there, now_ms)?;
    match &there.old {
        Some((_, until)) if !now && *until <= now_ms => Err(Bad::Expired),
        _ => Ok(()),
    }
}

fn good(there: &StoredToken, now_ms: i64) -> Result<(), Bad> {
    if there.revoked_ms.is_some() {
        return Err(Bad::Revoked);
    }
    if there.expires_ms <= now_ms {
        return Err(Bad::Expired);
    }
    Ok(())
}

#[cfg(test)]
#[expect(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn token(sha256: String) -> StoredToken {
        StoredToken {
            id: "0123456789abcdef".into(),
            name: "build-farm".into(),
            scopes: vec![condyle_api::Scope::Read],
            productions: None,
            sha256,
            old: None,
            created_ms: 0,
            created_by: None,
            expires_ms: 1_000,
            rotated_ms: None,
            revoked_ms: None,
            last_used_ms: None,
        }
    }

    #[test]
    fn why_a_token_is_not_good_is_told_to_its_holder_alone() {
        let (mine, other) = (secret::mint(None).unwrap(), secret::mint(None).unwrap());
        let mut there = token(mine.sha256.clone());
        assert_eq!(judge(Some(&there), &mine.secret, 999), Ok(()));
        assert_eq!(judge(Some(&there), &mine.secret, 1_000), Err(Bad::Expired));
        assert_eq!(judge(Some(&there), &other.secret, 1_000), Err(Bad::Unknown));
        assert_eq!(judge(None, &mine.secret, 0), Err(Bad::Unknown));
        there.revoked_ms = Some(5);
        assert_eq!(judge(Some(&there), &mine.secret, 10), Err(Bad::Revoked));
        assert_eq!(judge(Some(&there), &other.secret, 10), Err(Bad::Unknown));
    }

    #[test]
    fn an_old_secret_is_good_until_its_overlap_ends() {
        let (old, new) = (secret::mint(None).unwrap(), secret::mint(None).unwrap());
        let mut there = token(new.sha256.clone());
        there.old = Some((old.sha256.clone(), 100));
        assert_eq!(judge(Some(&there), &old.secret, 99), Ok(()));
        assert_eq!(judge(Some(&there), &old.secret, 100), Err(Bad::Expired));
        assert_eq!(judge(Some(&there), &new.secret, 100), Ok(()));
    }
}
