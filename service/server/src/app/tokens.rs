//! Make, list, rotate and revoke tokens; for the service and for the command line.

use condyle_api::{NewToken, Rotation, Scope, Token, TokenSecret};

use super::submit::sound;
use crate::access::{Act, secret};
use crate::config::Access;
use crate::problem::{ApiError, shown};
use crate::store::{Added, Store, StoredToken};

const DAY_MS: i64 = 86_400_000;
/// Productions that a token is limited to, at most.
const MOST_PRODUCTIONS: usize = 100;
/// Seconds that an old secret is good beside the new one, at most.
const LONGEST_OVERLAP_S: u64 = 30 * 86_400;

/// Makes a token; its secret is in the answer and nowhere else.
pub async fn create(
    store: &Store,
    rules: &Access,
    new: NewToken,
    act: &Act,
    now_ms: i64,
) -> Result<TokenSecret, ApiError> {
    sound("name", &new.name)?;
    let mut scopes = new.scopes;
    scopes.sort_unstable();
    scopes.dedup();
    if scopes.is_empty() {
        return Err(ApiError::InvalidRequest("a token has at least one of read, submit, administer".into()));
    }
    if let Some(names) = &new.productions {
        if names.is_empty() || names.len() > MOST_PRODUCTIONS {
            let text = format!("productions names 1 to {MOST_PRODUCTIONS}; leave it out for all");
            return Err(ApiError::InvalidRequest(text));
        }
        for name in names {
            sound("production", name)?;
        }
    }
    let expires_ms = match &new.expires_at {
        Some(text) => end(text, rules, now_ms)?,
        None => now_ms + i64::from(rules.token_days) * DAY_MS,
    };
    let minted = secret::mint(None)?;
    let stored = StoredToken {
        id: minted.id,
        name: new.name,
        scopes,
        productions: new.productions,
        sha256: minted.sha256,
        old: None,
        created_ms: now_ms,
        created_by: act.who.clone(),
        expires_ms,
        rotated_ms: None,
        revoked_ms: None,
        last_used_ms: None,
    };
    match store.add_token(&stored, act).await? {
        Added::New => Ok(TokenSecret { token: stored.wire(), secret: minted.secret }),
        Added::Taken => {
            Err(ApiError::NameTaken(format!("a token that is not revoked is called {}", stored.name)))
        }
        Added::Full => Err(ApiError::InvalidRequest("there are as many tokens as there may be".into())),
    }
}

/// Tokens, one more than `limit` where there are more.
pub async fn list(
    store: &Store,
    after: Option<&(i64, String)>,
    limit: u32,
) -> Result<Vec<StoredToken>, ApiError> {
    Ok(store.tokens(after, limit + 1).await?)
}

/// Gives a token another secret.
pub async fn rotate(
    store: &Store,
    rules: &Access,
    id: &str,
    how: Rotation,
    act: &Act,
    now_ms: i64,
) -> Result<TokenSecret, ApiError> {
    if how.overlap_s > LONGEST_OVERLAP_S {
        return Err(ApiError::InvalidRequest(format!("overlap_s is at most {LONGEST_OVERLAP_S}")));
    }
    let expires_ms = how.expires_at.as_deref().map(|text| end(text, rules, now_ms)).transpose()?;
    let id = known(id)?;
    let minted = secret::mint(Some(id))?;
    let until = now_ms + (how.overlap_s as i64) * 1_000;
    let there = store.rotate_token(id, &minted.sha256, until, expires_ms, act, now_ms).await?;
    let there = there.ok_or_else(|| missing(id))?;
    Ok(TokenSecret { token: there.wire(), secret: minted.secret })
}

/// Revokes a token for good.
pub async fn revoke(store: &Store, id: &str, act: &Act, now_ms: i64) -> Result<Token, ApiError> {
    let there = store.revoke_token(known(id)?, act, now_ms).await?;
    there.map(|there| there.wire()).ok_or_else(|| missing(id))
}

/// An id, which somebody may have taken for the whole token: that must not go into an answer or a log.
fn known(id: &str) -> Result<&str, ApiError> {
    let sound = id.len() == 16 && id.bytes().all(|b| b.is_ascii_hexdigit());
    if sound { Ok(id) } else { Err(ApiError::InvalidRequest("a token's id is 16 hex digits".into())) }
}

fn missing(id: &str) -> ApiError {
    ApiError::not_found(format!("token {} that is not revoked", shown(id)))
}

/// A time that a token may end at.
fn end(text: &str, rules: &Access, now_ms: i64) -> Result<i64, ApiError> {
    let at = crate::clock::from_rfc3339(text)
        .ok_or_else(|| ApiError::InvalidRequest("expires_at is a time like 2027-11-25T08:00:00Z".into()))?;
    let days = rules.longest_days;
    if at <= now_ms || at > now_ms + i64::from(days) * DAY_MS {
        return Err(ApiError::InvalidRequest(format!("expires_at lies within the next {days} days")));
    }
    Ok(at)
}

/// A scope by its word.
pub fn scope(word: &str) -> Option<Scope> {
    [Scope::Read, Scope::Submit, Scope::Administer].into_iter().find(|scope| scope.word() == word)
}
