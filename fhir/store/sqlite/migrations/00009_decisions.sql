-- +goose Up
-- What people see of deliveries, and decide: the kind of the last fault, the
-- version that was given up (it counts while that is the one wanted), and when
-- the row was last recorded or decided about.
ALTER TABLE delivery ADD COLUMN fault TEXT NOT NULL DEFAULT '';
ALTER TABLE delivery ADD COLUMN dropped INTEGER NOT NULL DEFAULT 0;
ALTER TABLE delivery ADD COLUMN changed INTEGER NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE delivery DROP COLUMN changed;
ALTER TABLE delivery DROP COLUMN dropped;
ALTER TABLE delivery DROP COLUMN fault;
