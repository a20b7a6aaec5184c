-- What was done by administrators, and what was refused. Ids count up in the order of commits.
CREATE TABLE audit (
    id BIGINT NOT NULL PRIMARY KEY,
    at_ms BIGINT NOT NULL,
    action TEXT NOT NULL,
    outcome TEXT NOT NULL,
    who TEXT,
    token TEXT,
    production TEXT,
    subject TEXT,
    why TEXT,
    address TEXT,
    times BIGINT NOT NULL
);
INSERT INTO counters (name, last) VALUES ('audit', 0);
