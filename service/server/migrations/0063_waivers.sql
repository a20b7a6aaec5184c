-- Exceptions that a production documents for all its assets. Portable columns only.
CREATE TABLE waivers (
    production TEXT NOT NULL PRIMARY KEY,
    -- A JSON list.
    body TEXT NOT NULL,
    stored_ms BIGINT NOT NULL
);
