-- +goose Up
-- What is known of the copy that a target holds: a digest of it as it was taken,
-- when it was read last and when looked at or delivered last, whether nobody has
-- looked since it was delivered, how often it was written again since it
-- differed, and whether the lease is for a look only, which hinders no delivery.
ALTER TABLE deliveries ADD COLUMN accepted text NOT NULL DEFAULT '';
ALTER TABLE deliveries ADD COLUMN checked bigint NOT NULL DEFAULT 0;
ALTER TABLE deliveries ADD COLUMN looked bigint NOT NULL DEFAULT 0;
ALTER TABLE deliveries ADD COLUMN fresh smallint NOT NULL DEFAULT 0 CHECK (fresh IN (0, 1));
ALTER TABLE deliveries ADD COLUMN repairs bigint NOT NULL DEFAULT 0 CHECK (repairs >= 0);
ALTER TABLE deliveries ADD COLUMN checking smallint NOT NULL DEFAULT 0 CHECK (checking IN (0, 1));
CREATE INDEX delivery_looked ON deliveries (target, fresh, looked, rid, member) WHERE wanted = delivered AND in_doubt = 0;
CREATE INDEX delivery_differs ON deliveries (target, fault) WHERE wanted = delivered AND in_doubt = 0 AND fault > '';

-- +goose Down
DROP INDEX delivery_differs;
DROP INDEX delivery_looked;
ALTER TABLE deliveries DROP COLUMN checking;
ALTER TABLE deliveries DROP COLUMN repairs;
ALTER TABLE deliveries DROP COLUMN fresh;
ALTER TABLE deliveries DROP COLUMN looked;
ALTER TABLE deliveries DROP COLUMN checked;
ALTER TABLE deliveries DROP COLUMN accepted;
