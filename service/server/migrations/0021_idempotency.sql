-- Answers by Idempotency-Key. Portable columns only.
CREATE TABLE idempotency_keys (
    name TEXT NOT NULL PRIMARY KEY,
    request_sha256 TEXT NOT NULL,
    -- Who is answering, and the id of the job that the answer may make, so that a second try makes no second job.
    holder TEXT NOT NULL,
    job TEXT NOT NULL,
    -- Until when the holder has it, or the answer is kept.
    until_ms BIGINT NOT NULL,
    -- NULL while it is being answered.
    status BIGINT,
    headers TEXT,
    body TEXT
);
CREATE INDEX idempotency_keys_by_time ON idempotency_keys (until_ms);
