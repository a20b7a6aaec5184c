-- Campaigns: the latest revisions of many assets, checked again; each by a job of its own. Portable columns only.
CREATE TABLE rechecks (
    id TEXT NOT NULL PRIMARY KEY,
    -- running, paused, cancelled.
    state TEXT NOT NULL,
    request TEXT NOT NULL,
    catalogue TEXT NOT NULL,
    created_ms BIGINT NOT NULL,
    updated_ms BIGINT NOT NULL
);
CREATE TABLE recheck_results (
    recheck TEXT NOT NULL,
    production TEXT NOT NULL,
    asset TEXT NOT NULL,
    label TEXT NOT NULL,
    number BIGINT NOT NULL,
    job TEXT NOT NULL,
    before_verdict TEXT NOT NULL,
    -- NULL until the job is done.
    after_verdict TEXT,
    new_findings BIGINT NOT NULL,
    fixed_findings BIGINT NOT NULL,
    same_findings BIGINT NOT NULL,
    PRIMARY KEY (recheck, production, asset)
);
CREATE UNIQUE INDEX recheck_results_by_job ON recheck_results (job);
