-- +goose Up
-- The trace of the request that wanted the version, as a W3C traceparent, so that
-- its delivery is part of it; '' for none.
ALTER TABLE delivery ADD COLUMN trace TEXT NOT NULL DEFAULT '';

-- +goose Down
ALTER TABLE delivery DROP COLUMN trace;
