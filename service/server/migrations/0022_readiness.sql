-- One row that is written to see whether writing works.
CREATE TABLE readiness (
    id BIGINT NOT NULL PRIMARY KEY,
    at_ms BIGINT NOT NULL
);
