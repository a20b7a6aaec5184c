-- Every state of profiles, reference skeletons, policies and waivers, with who stored it and why.
CREATE TABLE versions (
    -- profile, reference, policy, waivers.
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    number BIGINT NOT NULL,
    -- The text; of a reference the name of its file.
    body TEXT NOT NULL,
    -- Of a reference: the digest of its bytes, which are a blob.
    sha256 TEXT,
    bytes BIGINT,
    who TEXT,
    token TEXT,
    why TEXT,
    at_ms BIGINT NOT NULL,
    PRIMARY KEY (kind, name, number)
);
CREATE INDEX versions_by_digest ON versions (sha256);
-- The history of what was there before begins with it.
INSERT INTO versions (kind, name, number, body, at_ms) SELECT 'profile', name, 1, body, stored_ms FROM profiles;
INSERT INTO versions (kind, name, number, body, at_ms) SELECT 'policy', production, 1, body, stored_ms FROM policies;
INSERT INTO versions (kind, name, number, body, sha256, bytes, at_ms)
    SELECT 'reference', name, 1, file, sha256, bytes, stored_ms FROM reference_skeletons;
