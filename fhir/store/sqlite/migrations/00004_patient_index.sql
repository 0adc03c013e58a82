-- +goose Up
-- All that a search for a patient's resources asks, but their bodies, stands in
-- one index: which there are is then read from a page or two, and not from as
-- many pages of the table as the patient has resources.
DROP INDEX resource_patient;
CREATE INDEX resource_patient ON resource
    (patient, type, period_start, id, period_end, status, deleted, last_updated, version) WHERE patient IS NOT NULL;
UPDATE sqlite_stat1 SET stat = '2000000 100 50 1 1 1 1 1 1 1' WHERE tbl = 'resource' AND idx = 'resource_patient';
INSERT INTO sqlite_stat1 (tbl, idx, stat)
    SELECT 'resource', 'resource_patient', '2000000 100 50 1 1 1 1 1 1 1'
    WHERE NOT EXISTS (SELECT 1 FROM sqlite_stat1 WHERE tbl = 'resource' AND idx = 'resource_patient');

-- +goose Down
DROP INDEX resource_patient;
CREATE INDEX resource_patient ON resource (patient, type, period_start) WHERE patient IS NOT NULL;
DELETE FROM sqlite_stat1 WHERE tbl = 'resource' AND idx = 'resource_patient';
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES ('resource', 'resource_patient', '2000000 100 50 1');
