-- Counts up with every write that answers depend on, in its transaction, where several processes share the database:
-- what each remembers is true while this stands still. Portable columns only.
INSERT INTO counters (name, last) VALUES ('writes', 0);
