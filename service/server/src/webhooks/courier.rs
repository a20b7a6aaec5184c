//! Sends what is due: several messages at once, few to the same webhook, so that a slow receiver keeps only its own
//! messages waiting.

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use reqwest::header::{CONTENT_TYPE, HeaderValue, RETRY_AFTER};
use reqwest::{Client, StatusCode};
use tokio::sync::watch;
use tokio::task::{JoinHandle, JoinSet};

use super::outbox::{Consequence, Ended, Noted, Parcel};
use super::pace::pause_ms;
use super::secret::signature;
use super::target::{Refused, Targets};
use crate::config::Webhooks;
use crate::spans::Open;
use crate::state::App;

/// Between two looks for what nobody announced: retries, lost leases, other processes.
const LOOK: Duration = Duration::from_secs(1);
/// Between two clearances of what is kept no longer.
const CLEAR: Duration = Duration::from_mins(10);
/// Messages to one webhook at once.
const PER_WEBHOOK: usize = 4;
/// Bytes of an answer that are read, so that its connection can be used again; its words are of no interest.
const MOST_READ: usize = 16 << 10;
/// Bytes of what went wrong, as it is kept.
const MOST_TOLD: usize = 300;

/// Sends by HTTP. Cheap to clone.
#[derive(Debug, Clone)]
pub struct Carrier {
    targets: Targets,
    timeout: Duration,
    /// Made when the first message is sent: it reads the machine's certificates.
    client: Arc<OnceLock<Result<Client, String>>>,
}

/// What an attempt came to, before it is noted.
struct Answer {
    status: Option<u16>,
    problem: Option<String>,
    asked_s: Option<u64>,
    refused: bool,
}

impl Carrier {
    /// By the configuration; the error names the entry that is none.
    pub fn new(settings: &Webhooks) -> Result<Self, String> {
        Ok(Self {
            targets: Targets::read(&settings.hosts, &settings.networks)?,
            timeout: Duration::from_secs(settings.timeout_s),
            client: Arc::default(),
        })
    }

    /// What messages may be sent to.
    pub fn targets(&self) -> &Targets {
        &self.targets
    }

    fn client(&self) -> Result<&Client, String> {
        let made = self.client.get_or_init(|| {
            let _ = rustls::crypto::ring::default_provider().install_default();
            Client::builder()
                .no_proxy()
                .redirect(reqwest::redirect::Policy::none())
                .referer(false)
                .dns_resolver(self.targets.clone())
                .connect_timeout(self.timeout)
                .timeout(self.timeout)
                .pool_max_idle_per_host(PER_WEBHOOK)
                .user_agent(concat!("condyle/", env!("CARGO_PKG_VERSION")))
                .build()
                .map_err(|error| told(&error))
        });
        made.as_ref().map_err(Clone::clone)
    }

    async fn send(&self, parcel: &Parcel, now_ms: i64, traceparent: Option<HeaderValue>) -> Answer {
        let failed = |problem: String, refused: bool| Answer {
            status: None,
            problem: Some(problem),
            asked_s: None,
            refused,
        };
        // Again: the configuration may be another one since it was registered.
        let url = match self.targets.url(&parcel.url) {
            Ok(url) => url,
            Err(why) => return failed(why.to_string(), true),
        };
        let client = match self.client() {
            Ok(client) => client,
            Err(why) => return failed(format!("no message can be sent: {why}"), false),
        };
        let seconds = now_ms / 1_000;
        let post = client
            .post(url)
            .header(CONTENT_TYPE, "application/json")
            .header("webhook-id", &parcel.id)
            .header("webhook-timestamp", seconds)
            .header("webhook-signature", signature(&parcel.secrets, &parcel.id, seconds, &parcel.body))
            .body(parcel.body.clone());
        let post = match traceparent {
            Some(trace) => post.header("traceparent", trace),
            None => post,
        };
        let mut response = match post.send().await {
            Ok(response) => response,
            Err(error) => return failed(told(&error), is_refusal(&error)),
        };
        let status = response.status();
        let asked_s = response.headers().get(RETRY_AFTER).and_then(|value| value.to_str().ok()?.parse().ok());
        let mut read = 0;
        while read < MOST_READ
            && let Ok(Some(chunk)) = response.chunk().await
        {
            read += chunk.len();
        }
        let problem = match status {
            status if status.is_success() => None,
            status if status.is_redirection() => {
                Some(format!("the receiver answered {}; redirects are not followed", status.as_u16()))
            }
            status => Some(format!("the receiver answered {}", status.as_u16())),
        };
        Answer { status: Some(status.as_u16()), problem, asked_s, refused: false }
    }
}

/// Whether an address was refused, rather than not reached.
fn is_refusal(error: &reqwest::Error) -> bool {
    let mut next: Option<&(dyn std::error::Error + 'static)> = Some(error);
    while let Some(one) = next {
        if one.is::<Refused>() {
            return true;
        }
        next = one.source();
    }
    false
}

/// An error with its causes, without the URL, whose query may be nobody's business.
fn told(error: &reqwest::Error) -> String {
    let mut text = match error {
        error if error.is_timeout() => "no answer in time".to_owned(),
        error if error.is_connect() => "no connection".to_owned(),
        _ => "the message was not sent".to_owned(),
    };
    let mut next = std::error::Error::source(error);
    while let Some(one) = next {
        if next.is_some_and(|one| one.source().is_none() || one.is::<Refused>()) {
            text.push_str(": ");
            text.push_str(&one.to_string());
            break;
        }
        next = one.source();
    }
    text.chars().filter(|c| !c.is_control()).take(MOST_TOLD).collect()
}

/// Sends one message that is ours, and notes how it ended. `chance` (0 to 1) spreads the pauses.
async fn attempt(app: &App, parcel: &Parcel, now_ms: i64, chance: f64) {
    let settings = &app.config.webhooks;
    let begun = Instant::now();
    let answer = if parcel.attempts > settings.attempts {
        let text = format!("{} attempts ended without a word", parcel.attempts - 1);
        Answer { status: None, problem: Some(text), asked_s: None, refused: false }
    } else {
        let span = app.spans.call("webhook");
        let traceparent = span.as_ref().and_then(Open::traceparent);
        let answer = app.carrier.send(parcel, now_ms, traceparent).await;
        if let Some(span) = span {
            span.end(answer.status, None);
        }
        answer
    };
    let took_ms = i64::try_from(begun.elapsed().as_millis()).unwrap_or(i64::MAX);
    let ended = Ended { at_ms: now_ms + took_ms, took_ms, status: answer.status, problem: answer.problem };
    let (outcome, noted) = if ended.problem.is_none() {
        ("delivered", app.outbox.delivered(parcel, &ended).await)
    } else {
        let pause = pause_ms(settings.pause_s, parcel.attempts, chance, answer.asked_s);
        let again = parcel.attempts < settings.attempts;
        let patience_ms = i64::try_from(settings.disable_h.saturating_mul(3_600_000)).unwrap_or(i64::MAX);
        let then = Consequence {
            due_ms: again.then_some(ended.at_ms.saturating_add(pause)),
            off_since_ms: ended.at_ms.saturating_sub(patience_ms),
            gone: ended.status == Some(StatusCode::GONE.as_u16()),
        };
        let outcome = match (again, answer.refused) {
            (false, _) => "dead",
            (true, true) => "refused",
            (true, false) => "failed",
        };
        (outcome, app.outbox.failed(parcel, &ended, then).await)
    };
    metrics::counter!("condyle_webhook_attempts_total", "outcome" => outcome).increment(1);
    match noted {
        Ok(Noted::Yes) => {}
        Ok(Noted::TurnedOff) => {
            metrics::counter!("condyle_webhooks_disabled_total").increment(1);
            tracing::warn!(webhook = parcel.webhook, "turned off");
        }
        Ok(Noted::Lost) => {
            tracing::info!(webhook = parcel.webhook, event = parcel.event, "sent by others, too");
        }
        Err(error) => {
            tracing::warn!(webhook = parcel.webhook, %error, "the attempt is not noted; it will be made again");
        }
    }
}

/// Sends all that is due at a time, and waits for the end of it; how many messages that were.
pub async fn round(app: &App, now_ms: i64, chance: f64) -> Result<usize, sqlx::Error> {
    let mut sent = 0;
    for webhook in app.outbox.due(now_ms).await? {
        while let Some(parcel) = app.outbox.claim(&webhook, &owner(), now_ms, lease_ms(app)).await? {
            attempt(app, &parcel, now_ms, chance).await;
            sent += 1;
        }
    }
    Ok(sent)
}

/// The sender of this process.
#[derive(Debug)]
pub struct Courier {
    stop: watch::Sender<bool>,
    running: JoinHandle<()>,
}

impl Courier {
    /// Gives back what is being sent, and ends.
    pub async fn stop(self) {
        let _ = self.stop.send(true);
        let _ = self.running.await;
    }
}

/// Starts it.
pub fn start(app: &App) -> Courier {
    let (stop, stopped) = watch::channel(false);
    Courier { stop, running: tokio::spawn(serve(app.clone(), stopped)) }
}

async fn serve(app: App, mut stopped: watch::Receiver<bool>) {
    let mut sending: JoinSet<String> = JoinSet::new();
    let mut busy: BTreeMap<String, usize> = BTreeMap::new();
    let mut cleared: Option<Instant> = None;
    while !*stopped.borrow() {
        if cleared.is_none_or(|at| at.elapsed() > CLEAR) {
            cleared = Some(Instant::now());
            clear(&app).await;
        }
        if let Err(error) = take(&app, &mut sending, &mut busy, &stopped).await {
            tracing::warn!(%error, "no message can be taken");
        }
        tokio::select! {
            () = app.store.changes().stirred().notified() => {}
            Some(ended) = sending.join_next(), if !sending.is_empty() => {
                match ended {
                    Ok(webhook) => forget_one(&mut busy, &webhook),
                    // A panic in a dependency: whose it was is not known any more, so all are counted anew.
                    Err(_) => busy.clear(),
                }
                while let Some(Ok(webhook)) = sending.try_join_next() {
                    forget_one(&mut busy, &webhook);
                }
            }
            () = tokio::time::sleep(LOOK) => {}
            _ = stopped.changed() => {}
        }
    }
    while sending.join_next().await.is_some() {}
}

fn forget_one(busy: &mut BTreeMap<String, usize>, webhook: &str) {
    if let Some(count) = busy.get_mut(webhook) {
        *count = count.saturating_sub(1);
        if *count == 0 {
            busy.remove(webhook);
        }
    }
}

/// Takes as much as there is room for, in turns between the webhooks.
async fn take(
    app: &App,
    sending: &mut JoinSet<String>,
    busy: &mut BTreeMap<String, usize>,
    stopped: &watch::Receiver<bool>,
) -> Result<(), sqlx::Error> {
    let mut waiting = app.outbox.due(crate::clock::now_ms()).await?;
    while !waiting.is_empty() && sending.len() < app.config.webhooks.at_once {
        let mut more = Vec::new();
        for webhook in waiting {
            let count = busy.get(&webhook).copied().unwrap_or(0);
            if count >= PER_WEBHOOK || sending.len() >= app.config.webhooks.at_once {
                continue;
            }
            let now_ms = crate::clock::now_ms();
            let Some(parcel) = app.outbox.claim(&webhook, &owner(), now_ms, lease_ms(app)).await? else {
                continue;
            };
            *busy.entry(webhook.clone()).or_default() += 1;
            let (app, mut stopped) = (app.clone(), stopped.clone());
            sending.spawn(async move {
                // What the watch gives must not live on while something is awaited.
                let stop = async { drop(stopped.wait_for(|stopped| *stopped).await) };
                tokio::select! {
                    () = attempt(&app, &parcel, now_ms, chance()) => {}
                    () = stop => {
                        if let Err(error) = app.outbox.release(&parcel, crate::clock::now_ms()).await {
                            tracing::warn!(%error, "a message is not given back; its lease will end");
                        }
                    }
                }
                parcel.webhook
            });
            more.push(webhook);
        }
        waiting = more;
    }
    Ok(())
}

/// Longer than an attempt can take.
fn lease_ms(app: &App) -> i64 {
    i64::try_from(app.config.webhooks.timeout_s.saturating_mul(1_000)).unwrap_or(i64::MAX / 4) * 2 + 5_000
}

/// The owner of one claim: never the same twice.
fn owner() -> String {
    crate::app::offer::fresh_id()
}

/// 0 to 1; the middle where the machine gives no random bytes.
fn chance() -> f64 {
    getrandom::u32().map_or(0.5, |number| f64::from(number) / f64::from(u32::MAX))
}

async fn clear(app: &App) {
    let kept_ms = i64::try_from(app.config.webhooks.keep_h.saturating_mul(3_600_000)).unwrap_or(i64::MAX / 4);
    if let Err(error) = app.outbox.forget(crate::clock::now_ms() - kept_ms).await {
        tracing::warn!(%error, "old deliveries are not forgotten");
    }
}
