-- +goose Up
-- What people see of deliveries, and decide: the kind of the last fault, the
-- version that was given up (it counts while that is the one wanted), and when
-- the row was last recorded or decided about.
ALTER TABLE deliveries ADD COLUMN fault text NOT NULL DEFAULT '';
ALTER TABLE deliveries ADD COLUMN dropped bigint NOT NULL DEFAULT 0;
ALTER TABLE deliveries ADD COLUMN changed bigint NOT NULL DEFAULT 0;

-- +goose Down
ALTER TABLE deliveries DROP COLUMN changed;
ALTER TABLE deliveries DROP COLUMN dropped;
ALTER TABLE deliveries DROP COLUMN fault;
