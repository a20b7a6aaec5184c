-- Who may do what. A secret is never stored, only its digest. Portable columns only.
CREATE TABLE tokens (
    -- The public part of the token.
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    -- Words separated by blanks.
    scopes TEXT NOT NULL,
    -- A JSON list of names; NULL: all.
    productions TEXT,
    sha256 TEXT NOT NULL,
    -- The digest before the last rotation, and until when it is good.
    old_sha256 TEXT,
    old_until_ms BIGINT,
    created_ms BIGINT NOT NULL,
    created_by TEXT,
    expires_ms BIGINT NOT NULL,
    rotated_ms BIGINT,
    revoked_ms BIGINT,
    last_used_ms BIGINT
);
CREATE UNIQUE INDEX tokens_by_name ON tokens (name) WHERE revoked_ms IS NULL;
CREATE INDEX tokens_by_time ON tokens (created_ms, id);
-- Whose job it is: who made a job that belongs to no production may read it.
ALTER TABLE jobs ADD COLUMN token TEXT;
