//! Take a submission in as a job: acknowledged means that its blobs and its row are durable.

use condyle_api::{InputFile, JobKind, Revision};
use condyle_core::intake;
use serde::{Deserialize, Serialize};

use super::check::{Options, acceptable};
use super::shelf::Shelf;
use super::submit::{Address, Decision, Expectation, decide, files, meant_for};
use crate::problem::ApiError;
use crate::queue::{NewJob, Offered, Room};
use crate::state::App;
use crate::submission::{Submission, Texts};

/// Plans up to this size are looked into before they are accepted.
const LOOKED_INTO: usize = 4 << 20;

/// What a job is to do; its `request` column.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Task {
    /// The files, `reference` among the roles; their bytes are blobs.
    pub files: Vec<InputFile>,
    /// What came beside the files.
    pub texts: Texts,
    /// How it is to be judged; `as_of` is set, so that a second attempt judges like the first.
    pub options: Options,
    /// The revision that it makes; without it, only a report is wanted.
    pub target: Option<Target>,
    /// Of a trial bind: influences kept, where the request says.
    #[serde(default)]
    pub influences: Option<usize>,
    /// The `traceparent` of the request that left it to be done, where spans are sent.
    #[serde(default)]
    pub trace: Option<String>,
}

/// The revision that a job makes.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Target {
    /// Where it goes.
    pub address: Address,
    /// What is expected to be there.
    pub expected: Expectation,
    /// Digest of the input.
    pub input_sha256: String,
}

/// What a submission is to become.
#[derive(Debug)]
pub enum Work {
    /// A report that belongs to no revision.
    Check,
    /// A trial bind, with so many influences.
    Bind(Option<usize>),
    /// A revision.
    Submit(Address, Expectation),
}

/// What became of a submission that was to be a job.
#[derive(Debug)]
pub enum Accepted {
    /// This job does it.
    Job(String),
    /// Nothing is to be done: the revision is there.
    Kept(Box<Revision>),
}

/// A new id, in the order of time (UUID version 7, RFC 9562).
pub fn fresh_id() -> String {
    uuid::Uuid::now_v7().to_string()
}

/// Queues a submission as the job `id`.
pub async fn offer(
    app: &App,
    submission: Submission,
    mut options: Options,
    work: Work,
    id: String,
    token: Option<String>,
) -> Result<Accepted, ApiError> {
    let (kind, influences, target) = match work {
        Work::Check => (JobKind::Check, None, None),
        Work::Bind(influences) => (JobKind::TrialBind, influences, None),
        Work::Submit(address, expected) => (JobKind::Submit, None, Some((address, expected))),
    };
    let shelf = Shelf::open(app, target.as_ref().map(|(address, _)| address.production.as_str())).await?;
    acceptable(&submission, &options, &shelf)?;
    options.as_of.get_or_insert_with(crate::clock::today);
    let priority = options.priority.unwrap_or_default();
    let (mut submission, files, digest, named) = app
        .porters
        .run(move |_| {
            let mut list = files(&submission);
            if let Some(file) = &submission.reference {
                let (role, name) = ("reference".to_owned(), file.name.clone());
                let sha256 = intake::file_digest(&file.bytes);
                list.push(InputFile { role, name, bytes: file.bytes.len() as u64, sha256 });
            }
            let digest = intake::input_digest(&submission.bundle());
            let named = asset_of(&submission);
            (submission, list, digest, named)
        })
        .await?;
    let mut address = None;
    let mut alone = false;
    let target = match target {
        None => None,
        Some((at, expected)) => {
            meant_for(named.as_deref(), &at)?;
            let existing = app.store.revision(&at.production, &at.asset, &at.label).await?;
            if let Decision::Keep(revision) = decide(existing, &expected, &digest)? {
                return Ok(Accepted::Kept(revision));
            }
            address = Some([at.production.clone(), at.asset.clone(), at.label.clone()]);
            alone = expected.matches.is_none();
            Some(Target { address: at, expected, input_sha256: digest.clone() })
        }
    };
    let texts = Texts { profile: submission.profile.take(), waivers: submission.waivers.take() };
    let new = NewJob {
        id,
        kind,
        priority,
        bytes: files.iter().map(|file| file.bytes).sum(),
        blobs: files.iter().map(|file| file.sha256.clone()).collect(),
        request: serde_json::to_string(&Task {
            files,
            texts,
            options,
            target,
            influences,
            trace: crate::trace::current(),
        })
        .map_err(|error| ApiError::Internal(error.to_string()))?,
        input_sha256: digest,
        address,
        alone,
        token,
    };
    let room = Room { jobs: app.config.jobs.waiting, bytes: app.config.jobs.waiting_bytes };
    // Refused before anything is written: a full queue must not fill the disk.
    if let Some(foreseen) = app.queue.foresee(&new, room).await? {
        return told(foreseen, new.id);
    }
    let (blobs, digests) = (app.blobs.clone(), new.blobs.clone());
    // From here until the row is there, no blob goes.
    let keep = app.blobs.keep().await;
    app.porters
        .run(move |_| -> Result<_, ApiError> {
            let files = submission.all().map(|(_, file)| file).chain(&submission.reference);
            for (file, sha256) in files.zip(&digests) {
                blobs.put(sha256, &file.bytes)?;
            }
            Ok(())
        })
        .await??;
    let offered = app.queue.offer(&new, room, crate::clock::now_ms()).await?;
    drop(keep);
    if offered == Offered::New {
        app.desk.announce();
    }
    told(offered, new.id)
}

fn told(offered: Offered, id: String) -> Result<Accepted, ApiError> {
    match offered {
        Offered::New => Ok(Accepted::Job(id)),
        Offered::Same(other) => Ok(Accepted::Job(other)),
        Offered::Taken(id) => {
            Err(ApiError::Conflict(format!("the job {id} is on its way to the label with other bytes")))
        }
        Offered::Full => Err(ApiError::Busy),
    }
}

/// The asset that a plan says it is for, where that is cheap to see; the job looks again.
fn asset_of(submission: &Submission) -> Option<String> {
    #[derive(Deserialize)]
    struct Head {
        schema: String,
        asset: String,
    }
    let file = submission.plan.as_ref().or(submission.model.as_ref())?;
    if file.bytes.len() > LOOKED_INTO || file.bytes.first() != Some(&b'{') {
        return None;
    }
    let head: Head = serde_json::from_slice(&file.bytes).ok()?;
    head.schema.starts_with("condyle.plan/").then_some(head.asset)
}
