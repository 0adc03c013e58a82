-- +goose Up
-- The trace of the request that an event comes from, as a W3C traceparent, so that
-- telling of it is part of it; '' for none.
ALTER TABLE happened ADD COLUMN trace TEXT NOT NULL DEFAULT '';
ALTER TABLE notification ADD COLUMN trace TEXT NOT NULL DEFAULT '';

-- +goose Down
ALTER TABLE notification DROP COLUMN trace;
ALTER TABLE happened DROP COLUMN trace;
