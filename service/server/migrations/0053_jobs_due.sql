-- A campaign's jobs are all due at one time: with the id, the first of thousands is found without sorting them.
DROP INDEX jobs_due;
CREATE INDEX jobs_due ON jobs (priority, due_ms, id);
