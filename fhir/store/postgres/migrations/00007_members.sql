-- +goose Up
-- A target may take a score as several resources, each of which is a delivery of
-- its own; member names it, '' the score itself. All of them are in deliveries,
-- those of scores themselves in its partition delivery, which stays as it was: a
-- program of the schema before goes on with it while replicas are replaced one by
-- one.
CREATE TABLE deliveries (LIKE delivery INCLUDING DEFAULTS INCLUDING CONSTRAINTS, member text COLLATE "C" NOT NULL DEFAULT '')
    PARTITION BY LIST (member);
ALTER TABLE delivery ADD COLUMN member text COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE delivery ADD CONSTRAINT delivery_member_check CHECK (member = '');
CREATE TABLE delivery_member (LIKE deliveries INCLUDING DEFAULTS INCLUDING CONSTRAINTS, PRIMARY KEY (target, rid, member))
    WITH (fillfactor = 50, autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_threshold = 500);
CREATE INDEX delivery_member_due ON delivery_member (target, due, rid, member) WHERE wanted <> delivered OR in_doubt = 1;
ALTER TABLE deliveries ATTACH PARTITION delivery FOR VALUES IN ('');
ALTER TABLE deliveries ATTACH PARTITION delivery_member DEFAULT;

-- +goose Down
ALTER TABLE deliveries DETACH PARTITION delivery;
DROP TABLE deliveries;
ALTER TABLE delivery DROP COLUMN member;
