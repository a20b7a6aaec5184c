-- Who is told what happens, and each message to each of them. Portable columns only (TEXT, BIGINT).
CREATE TABLE webhooks (
    id TEXT NOT NULL PRIMARY KEY,
    url TEXT NOT NULL,
    -- Words of the kinds of events, separated by spaces.
    events TEXT NOT NULL,
    -- Empty: all.
    production TEXT NOT NULL,
    about TEXT NOT NULL,
    enabled BIGINT NOT NULL,
    disabled_because TEXT,
    -- When the first attempt failed since the last one that did not.
    failing_since_ms BIGINT,
    created_ms BIGINT NOT NULL,
    updated_ms BIGINT NOT NULL
);
-- Keys that sign; a key that another took the place of ends at a time.
CREATE TABLE webhook_secrets (
    webhook TEXT NOT NULL,
    number BIGINT NOT NULL,
    secret TEXT NOT NULL,
    until_ms BIGINT,
    PRIMARY KEY (webhook, number)
);
CREATE TABLE webhook_deliveries (
    webhook TEXT NOT NULL,
    event BIGINT NOT NULL,
    kind TEXT NOT NULL,
    production TEXT NOT NULL,
    body TEXT NOT NULL,
    -- waiting, sending, delivered, dead.
    state TEXT NOT NULL,
    -- When it may be taken: waiting after its pause, sending when its lease is over; NULL: not at all.
    due_ms BIGINT,
    -- Who holds the lease.
    owner TEXT,
    attempts BIGINT NOT NULL,
    last_ms BIGINT,
    last_status BIGINT,
    last_problem TEXT,
    last_took_ms BIGINT,
    created_ms BIGINT NOT NULL,
    updated_ms BIGINT NOT NULL,
    PRIMARY KEY (webhook, event)
);
CREATE INDEX webhook_deliveries_due ON webhook_deliveries (webhook, due_ms);
CREATE INDEX webhook_deliveries_by_state ON webhook_deliveries (state, updated_ms);
