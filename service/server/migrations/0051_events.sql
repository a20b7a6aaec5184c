-- What happened, for those who listen. Ids count up in the order of commits: the counter's row is written in the same
-- transaction. Portable columns only.
CREATE TABLE events (
    id BIGINT NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    production TEXT NOT NULL,
    body TEXT NOT NULL,
    at_ms BIGINT NOT NULL
);
CREATE TABLE counters (
    name TEXT NOT NULL PRIMARY KEY,
    last BIGINT NOT NULL
);
INSERT INTO counters (name, last) VALUES ('events', 0);
