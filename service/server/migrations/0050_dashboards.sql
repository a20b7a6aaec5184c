-- What dashboards ask for, kept beside the revisions so that it need not be computed. Portable columns only.
-- Rows of before this migration have indexed = 0 and are filled in when the store is opened.
ALTER TABLE revisions ADD COLUMN indexed BIGINT NOT NULL DEFAULT 0;
-- The findings of a revision, by check.
CREATE TABLE revision_checks (
    production TEXT NOT NULL,
    asset TEXT NOT NULL,
    number BIGINT NOT NULL,
    check_id TEXT NOT NULL,
    errors BIGINT NOT NULL,
    warnings BIGINT NOT NULL,
    notes BIGINT NOT NULL,
    waived BIGINT NOT NULL,
    PRIMARY KEY (production, asset, number, check_id)
);
CREATE INDEX revision_checks_by_check ON revision_checks (check_id);
-- Who needs which blob; what nobody needs is swept. A holder is revision:PRODUCTION/ASSET/NUMBER.
CREATE TABLE blob_uses (
    sha256 TEXT NOT NULL,
    holder TEXT NOT NULL,
    PRIMARY KEY (sha256, holder)
);
CREATE INDEX blob_uses_by_holder ON blob_uses (holder);
-- The latest revision of each asset.
CREATE TABLE assets (
    production TEXT NOT NULL,
    asset TEXT NOT NULL,
    number BIGINT NOT NULL,
    verdict TEXT NOT NULL,
    changed_ms BIGINT NOT NULL,
    PRIMARY KEY (production, asset)
);
CREATE INDEX assets_by_change ON assets (changed_ms);
-- What each day (UTC) left behind, and what happened on it.
CREATE TABLE days (
    production TEXT NOT NULL,
    day TEXT NOT NULL,
    pass BIGINT NOT NULL,
    warn BIGINT NOT NULL,
    fail BIGINT NOT NULL,
    stored BIGINT NOT NULL,
    better BIGINT NOT NULL,
    worse BIGINT NOT NULL,
    PRIMARY KEY (production, day)
);
