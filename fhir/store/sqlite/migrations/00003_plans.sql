-- +goose Up
-- What SQLite takes the tables to hold when it plans a search: a large store,
-- whatever it holds now. Without it SQLite guesses that ten resources are of one
-- type, and looks for those of a patient among all that were updated last.
-- Each line is: rows in all, then how many have the same first column of the
-- index, the same first two, and so on. ANALYZE of a small table only makes
-- sqlite_stat1 exist.
ANALYZE index_state;
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('resource', 'resource_key', '3000000 1000000 1'),
    ('resource', 'resource_updated', '3000000 1000000 2'),
    ('resource', 'resource_period', '3000000 1000000 2'),
    ('resource', 'resource_patient', '2000000 100 50 1'),
    ('token', 'token', '12000000 1000000 4 1 1'),
    ('number', 'number', '20000000 20 20 2 1');

-- +goose Down
DELETE FROM sqlite_stat1 WHERE tbl IN ('resource', 'token', 'number');
