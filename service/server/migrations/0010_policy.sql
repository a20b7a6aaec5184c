-- Profiles, reference skeletons and what productions agreed on. Portable columns only.
CREATE TABLE profiles (
    name TEXT NOT NULL PRIMARY KEY,
    body TEXT NOT NULL,
    stored_ms BIGINT NOT NULL
);
CREATE TABLE reference_skeletons (
    name TEXT NOT NULL PRIMARY KEY,
    file TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    bytes BIGINT NOT NULL,
    stored_ms BIGINT NOT NULL
);
CREATE TABLE policies (
    production TEXT NOT NULL PRIMARY KEY,
    body TEXT NOT NULL,
    stored_ms BIGINT NOT NULL
);
