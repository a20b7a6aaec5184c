-- Work that was accepted and is not done at once. Portable columns only (TEXT, BIGINT).
CREATE TABLE jobs (
    id TEXT NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    -- 0 before 1.
    priority BIGINT NOT NULL,
    -- queued, running, failed, paused, done, dead, cancelled.
    state TEXT NOT NULL,
    -- When it may be taken: queued at once, failed after its pause, running when its lease is over; NULL: not at all.
    due_ms BIGINT,
    -- Who holds the lease.
    owner TEXT,
    attempts BIGINT NOT NULL,
    steps_done BIGINT NOT NULL,
    steps BIGINT NOT NULL,
    -- What is to be done, JSON.
    request TEXT NOT NULL,
    bytes BIGINT NOT NULL,
    production TEXT,
    asset TEXT,
    label TEXT,
    input_sha256 TEXT,
    campaign TEXT,
    -- How it ended: created, kept or report; where the result is; a report that belongs to no revision; the problem.
    outcome TEXT,
    result TEXT,
    report TEXT,
    problem TEXT,
    created_ms BIGINT NOT NULL,
    updated_ms BIGINT NOT NULL
);
CREATE INDEX jobs_due ON jobs (priority, due_ms);
CREATE INDEX jobs_by_label ON jobs (production, asset, label);
CREATE INDEX jobs_by_state ON jobs (state, updated_ms);
CREATE INDEX jobs_by_campaign ON jobs (campaign, state);
-- Blobs that a job needs and that no revision may hold yet: whoever deletes blobs looks here, too.
CREATE TABLE job_blobs (
    job TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (job, sha256)
);
CREATE INDEX job_blobs_by_digest ON job_blobs (sha256);
