-- +goose Up
-- What is known of the copy that a target holds: a digest of it as it was taken,
-- when it was read last and when looked at or delivered last, whether nobody has
-- looked since it was delivered, how often it was written again since it
-- differed, and whether the lease is for a look only, which hinders no delivery.
ALTER TABLE delivery ADD COLUMN accepted TEXT NOT NULL DEFAULT '';
ALTER TABLE delivery ADD COLUMN checked INTEGER NOT NULL DEFAULT 0;
ALTER TABLE delivery ADD COLUMN looked INTEGER NOT NULL DEFAULT 0;
ALTER TABLE delivery ADD COLUMN fresh INTEGER NOT NULL DEFAULT 0 CHECK (fresh IN (0, 1));
ALTER TABLE delivery ADD COLUMN repairs INTEGER NOT NULL DEFAULT 0 CHECK (repairs >= 0);
ALTER TABLE delivery ADD COLUMN checking INTEGER NOT NULL DEFAULT 0 CHECK (checking IN (0, 1));
CREATE INDEX delivery_looked ON delivery (target, fresh, looked, rid, member) WHERE wanted = delivered AND in_doubt = 0;
CREATE INDEX delivery_differs ON delivery (target, fault) WHERE wanted = delivered AND in_doubt = 0 AND fault > '';

-- +goose Down
DROP INDEX delivery_differs;
DROP INDEX delivery_looked;
ALTER TABLE delivery DROP COLUMN checking;
ALTER TABLE delivery DROP COLUMN repairs;
ALTER TABLE delivery DROP COLUMN fresh;
ALTER TABLE delivery DROP COLUMN looked;
ALTER TABLE delivery DROP COLUMN checked;
ALTER TABLE delivery DROP COLUMN accepted;
