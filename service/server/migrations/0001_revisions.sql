-- Portable columns only (TEXT, BIGINT), so that the same folder runs on other engines.
CREATE TABLE reports (
    sha256 TEXT NOT NULL PRIMARY KEY,
    body TEXT NOT NULL
);
CREATE TABLE revisions (
    production TEXT NOT NULL,
    asset TEXT NOT NULL,
    label TEXT NOT NULL,
    number BIGINT NOT NULL,
    input_sha256 TEXT NOT NULL,
    input_bytes BIGINT NOT NULL,
    manifest TEXT NOT NULL,
    verdict TEXT NOT NULL,
    errors BIGINT NOT NULL,
    warnings BIGINT NOT NULL,
    notes BIGINT NOT NULL,
    waived BIGINT NOT NULL,
    profile TEXT NOT NULL,
    catalogue TEXT NOT NULL,
    report_sha256 TEXT NOT NULL REFERENCES reports (sha256),
    submitted_ms BIGINT NOT NULL,
    PRIMARY KEY (production, asset, label)
);
CREATE UNIQUE INDEX revisions_by_number ON revisions (production, asset, number);
CREATE INDEX revisions_by_input ON revisions (input_sha256);
CREATE INDEX revisions_by_report ON revisions (report_sha256);
