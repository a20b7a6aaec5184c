//! Tokens, what was done with them, and the history of what is agreed on.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What a token allows. None contains another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Scope {
    /// Read what is stored.
    Read,
    /// Send rigs: to be checked, repaired, compared, or kept as revisions; cancel such work.
    Submit,
    /// Delete, import, re-check; profiles, references, policies; the log of what was done; without a limit to
    /// productions also tokens.
    Administer,
}

impl Scope {
    /// Its word on the wire.
    pub fn word(self) -> &'static str {
        match self {
            Self::Read => "read",
            Self::Submit => "submit",
            Self::Administer => "administer",
        }
    }
}

/// A token that is to be made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewToken {
    /// Whose it is or what it is for: 1 to 100 of `A-Z a-z 0-9 . _ -`. No other token that is not revoked has it. The
    /// history of what is agreed on names it.
    #[schema(pattern = "^[A-Za-z0-9][A-Za-z0-9._-]{0,99}$")]
    pub name: String,
    /// What it allows, at least one.
    #[schema(min_items = 1)]
    pub scopes: Vec<Scope>,
    /// Only for these productions, at most 100; without it, for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_items = 1, max_items = 100)]
    pub productions: Option<Vec<String>>,
    /// Until when (RFC 3339); unless said, `access.token_days` from now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub expires_at: Option<String>,
}

/// A token without its secret, which nobody has but its holder.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Token {
    /// Its public part.
    pub id: String,
    /// Whose it is or what it is for.
    pub name: String,
    /// What it allows.
    pub scopes: Vec<Scope>,
    /// Only for these productions; without it, for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub productions: Option<Vec<String>>,
    /// When it was made.
    pub created_at: String,
    /// The name of the token that made it; absent where it was made at the machine itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub created_by: Option<String>,
    /// Until when it is good.
    pub expires_at: String,
    /// When its secret was last changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rotated_at: Option<String>,
    /// Until when the secret before that is good, too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub old_until: Option<String>,
    /// When it was revoked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revoked_at: Option<String>,
    /// When it was last used; written now and then, so it may be some seconds behind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_used_at: Option<String>,
}

/// A token with its secret, shown once.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TokenSecret {
    /// The token.
    pub token: Token,
    /// What its holder sends as `Authorization: Bearer …`. It is not stored and never shown again.
    pub secret: String,
}

// Never in a log.
impl std::fmt::Debug for TokenSecret {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        out.debug_struct("TokenSecret").field("token", &self.token).finish_non_exhaustive()
    }
}

/// The tokens, the newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TokenPage {
    /// Tokens.
    pub items: Vec<Token>,
    /// The cursor of the next page.
    pub next: Option<String>,
}

/// How a secret is changed.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Rotation {
    /// Seconds that the old secret is good beside the new one, at most 30 days; 0 unless said.
    #[serde(default, deserialize_with = "crate::whole::number")]
    #[schema(maximum = 2_592_000)]
    pub overlap_s: u64,
    /// The new end (RFC 3339); unless said, the end stays.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub expires_at: Option<String>,
}

/// Something that was done or refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct AuditEntry {
    /// Its place in the log.
    pub id: u64,
    /// When.
    pub at: String,
    /// What: `token.created`, `policy.stored`, `asset.deleted` …; a refusal is `access.refused`.
    pub action: String,
    /// `done`, `failed` (nothing came of it), `begun` (it is under way, or its end was never noted) or `refused`.
    pub outcome: String,
    /// The name of the token; absent where none was needed or none was good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
    /// The id of the token.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub token: Option<String>,
    /// The production it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub production: Option<String>,
    /// What it was done to; of a refusal, method and route.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject: Option<String>,
    /// Why: what the request said in `Condyle-Reason`; of a refusal, its kind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// Where the request came from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// How often: equal refusals within some seconds are one entry.
    pub count: u64,
}

/// Entries, the newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct AuditPage {
    /// Entries.
    pub items: Vec<AuditEntry>,
    /// The cursor of the next page.
    pub next: Option<String>,
}

/// A documented exception of a production.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaiverEntry {
    /// The check that it is about, by id or glob; at most 256 bytes.
    #[schema(max_length = 256)]
    pub check: String,
    /// The subjects that it covers, by name or glob; all unless said; at most 256 bytes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 256)]
    pub subject: Option<String>,
    /// Why.
    #[schema(pattern = "\\S")]
    pub reason: String,
    /// Who answers for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// The last day it holds (UTC, `YYYY-MM-DD`); for good unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = Date)]
    pub until: Option<String>,
    /// Kept and ignored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extras: Option<serde_json::Value>,
}

/// One state of something that is agreed on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Version {
    /// Counts up from 1.
    pub number: u64,
    /// When it was stored.
    pub at: String,
    /// The name of the token that stored it; absent where none was needed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
    /// The id of that token.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub token: Option<String>,
    /// Why: what the request said in `Condyle-Reason`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
    /// SHA-256 of its content, hex.
    pub sha256: String,
    /// Its size, bytes.
    pub bytes: u64,
    /// The text, where `content=true` asks for it; of a reference, whose content is no text, the name of its file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub content: Option<String>,
}

/// States, the newest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct VersionPage {
    /// States.
    pub items: Vec<Version>,
    /// The cursor of the next page.
    pub next: Option<String>,
}
