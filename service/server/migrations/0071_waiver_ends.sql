-- The last day of the first waiver to end of a revision's report, YYYY-MM-DD; empty where none ends, NULL where nobody
-- has looked yet.
ALTER TABLE revisions ADD COLUMN waiver_ends TEXT;
CREATE INDEX revisions_by_waiver_end ON revisions (waiver_ends);
