//! Who asks, and what a handler's signature says that it takes: [`May`].

use std::marker::PhantomData;

use axum::extract::{FromRequestParts, MatchedPath, RawPathParams};
use axum::http::HeaderName;
use axum::http::request::Parts;
use condyle_api::Scope;
use condyle_core::intake::file_digest;

use super::{Refused, address};
use crate::problem::ApiError;
use crate::state::App;
use crate::store::StoredToken;

/// The header that says why something is done.
const REASON: HeaderName = HeaderName::from_static("condyle-reason");
/// Bytes of a reason.
const LONGEST_REASON: usize = 500;

/// The productions that a caller may know of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reach {
    /// All.
    All,
    /// These, by name.
    Only(Vec<String>),
}

impl Reach {
    /// Whether a production is among them.
    pub fn covers(&self, production: &str) -> bool {
        match self {
            Self::All => true,
            Self::Only(names) => names.iter().any(|name| name == production),
        }
    }
}

/// A token that was good when it was looked at.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Known {
    /// Its public part.
    pub id: String,
    /// Its name.
    pub name: String,
    /// What it allows.
    pub scopes: Vec<Scope>,
    /// Where.
    pub reach: Reach,
    /// Stands for scopes and productions: two tokens with the same are answered alike.
    pub view: String,
}

impl Known {
    pub(super) fn of(stored: &StoredToken) -> Self {
        let reach = match &stored.productions {
            None => Reach::All,
            Some(names) => {
                let mut names = names.clone();
                names.sort();
                names.dedup();
                Reach::Only(names)
            }
        };
        let view = file_digest(format!("{:?} {reach:?}", stored.scopes).as_bytes());
        Self {
            id: stored.id.clone(),
            name: stored.name.clone(),
            scopes: stored.scopes.clone(),
            reach,
            view: view[..32].to_owned(),
        }
    }
}

/// Who asks; among a request's extensions.
#[derive(Debug, Clone)]
pub enum Caller {
    /// Somebody; no tokens are needed here.
    Anyone,
    /// The holder of a token.
    Token(std::sync::Arc<Known>),
}

impl Caller {
    /// The token's public part.
    pub fn id(&self) -> Option<&str> {
        match self {
            Self::Anyone => None,
            Self::Token(known) => Some(&known.id),
        }
    }

    /// The productions that the caller may know of.
    pub fn reach(&self) -> &Reach {
        match self {
            Self::Anyone => &Reach::All,
            Self::Token(known) => &known.reach,
        }
    }

    /// What an answer depends on beside the request; empty where it depends on nothing else.
    pub fn view(&self) -> &str {
        match self {
            Self::Anyone => "",
            Self::Token(known) => &known.view,
        }
    }

    fn has(&self, scope: Scope) -> bool {
        match self {
            Self::Anyone => true,
            Self::Token(known) => known.scopes.contains(&scope),
        }
    }
}

/// What something takes.
pub trait Right: Send + Sync + 'static {
    /// The scope.
    const SCOPE: Scope;
    /// Whether it is about all productions, so that a token of some cannot have it.
    const ALL: bool = false;
}

/// To read what is stored.
#[derive(Debug)]
pub struct Read;
/// To read what is about all productions.
#[derive(Debug)]
pub struct ReadAll;
/// To send rigs.
#[derive(Debug)]
pub struct Submit;
/// To change what is stored and agreed on.
#[derive(Debug)]
pub struct Administer;
/// To change what all productions share.
#[derive(Debug)]
pub struct AdministerAll;

impl Right for Read {
    const SCOPE: Scope = Scope::Read;
}
impl Right for ReadAll {
    const SCOPE: Scope = Scope::Read;
    const ALL: bool = true;
}
impl Right for Submit {
    const SCOPE: Scope = Scope::Submit;
}
impl Right for Administer {
    const SCOPE: Scope = Scope::Administer;
}
impl Right for AdministerAll {
    const SCOPE: Scope = Scope::Administer;
    const ALL: bool = true;
}

/// The caller may do what `R` says, in the production that the path names, if it names one.
///
/// It stands first in a handler's signature, after the state: who may not is told so before anything else is looked
/// at. Whether there is such a production has no share in the answer, for nobody has asked the store.
#[derive(Debug)]
pub struct May<R> {
    /// Who.
    pub caller: Caller,
    right: PhantomData<R>,
}

impl<R: Right> May<R> {
    /// The productions that a request means which may name one in its query or its body.
    pub fn within(&self, asked: Option<&str>) -> Result<Reach, ApiError> {
        match asked {
            None => Ok(self.caller.reach().clone()),
            Some(name) if self.caller.reach().covers(name) => Ok(Reach::Only(vec![name.to_owned()])),
            Some(_) => Err(elsewhere(R::SCOPE)),
        }
    }
}

fn elsewhere(scope: Scope) -> ApiError {
    ApiError::NotPermitted { scope, detail: "the token is not for this production".to_owned() }
}

fn judge<R: Right>(caller: &Caller, production: Option<&str>) -> Result<(), ApiError> {
    let scope = R::SCOPE;
    if !caller.has(scope) {
        let detail = format!("this takes the scope {}, which the token does not have", scope.word());
        return Err(ApiError::NotPermitted { scope, detail });
    }
    if R::ALL && *caller.reach() != Reach::All {
        let detail = "this is about all productions, and the token is for some".to_owned();
        return Err(ApiError::NotPermitted { scope, detail });
    }
    match production {
        Some(name) if !caller.reach().covers(name) => Err(elsewhere(scope)),
        _ => Ok(()),
    }
}

impl<R: Right> FromRequestParts<App> for May<R> {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, ApiError> {
        // Nobody is let in by default: `authenticate` says who it is, or nobody has.
        let caller = parts.extensions.get::<Caller>().cloned().ok_or(ApiError::TokenMissing)?;
        let segments = RawPathParams::from_request_parts(parts, app)
            .await
            .map_err(|error| ApiError::InvalidRequest(format!("the path is wrong: {error}")))?;
        let production = segments.iter().find(|(name, _)| *name == "production").map(|(_, value)| value);
        if let Err(refusal) = judge::<R>(&caller, production) {
            let route = parts.extensions.get::<MatchedPath>().map_or("", |path| path.as_str());
            let mut act = Act::of(parts, app, &caller);
            act.why = Some(refusal.name().to_owned());
            let production = production.map(crate::problem::shown);
            metrics::counter!("condyle_refusals_total", "kind" => refusal.name()).increment(1);
            app.access.clerk().refused(Refused {
                act,
                production,
                subject: format!("{} {route}", super::clerk::verb(&parts.method)),
            });
            return Err(refusal);
        }
        Ok(Self { caller, right: PhantomData })
    }
}

/// Who does something, from where, and why: what history and audit log keep.
#[derive(Debug, Clone, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Act {
    /// The name of the token.
    pub who: Option<String>,
    /// Its public part.
    pub token: Option<String>,
    /// What `Condyle-Reason` says.
    pub why: Option<String>,
    /// Where the request came from.
    pub address: Option<String>,
}

impl Act {
    pub(super) fn of(parts: &Parts, app: &App, caller: &Caller) -> Self {
        let address = address::of(&parts.extensions, &parts.headers, app.config.access.forwarded);
        let (who, token) = match caller {
            Caller::Anyone => (None, None),
            Caller::Token(known) => (Some(known.name.clone()), Some(known.id.clone())),
        };
        Self { who, token, why: None, address: address.map(|address| address.to_string()) }
    }

    /// What the command line does at the machine itself.
    pub fn here() -> Self {
        Self { why: Some("by the command line".to_owned()), ..Self::default() }
    }

    /// Refuses to change what is agreed on without a reason, where the configuration asks for one.
    pub fn explained(&self, app: &App) -> Result<(), ApiError> {
        if app.config.policy.reason_required && self.why.is_none() {
            return Err(ApiError::InvalidRequest("the header Condyle-Reason says why; it is missing".into()));
        }
        Ok(())
    }
}

impl FromRequestParts<App> for Act {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, ApiError> {
        let caller = parts.extensions.get::<Caller>().cloned().ok_or(ApiError::TokenMissing)?;
        let wrong = || {
            let text = format!("Condyle-Reason is one line of at most {LONGEST_REASON} bytes of UTF-8");
            ApiError::InvalidRequest(text)
        };
        let mut act = Self::of(parts, app, &caller);
        if let Some(value) = parts.headers.get(&REASON) {
            let text = std::str::from_utf8(value.as_bytes()).map_err(|_| wrong())?.trim();
            if text.len() > LONGEST_REASON || text.chars().any(char::is_control) {
                return Err(wrong());
            }
            act.why = Some(text.to_owned()).filter(|text| !text.is_empty());
        }
        Ok(act)
    }
}
