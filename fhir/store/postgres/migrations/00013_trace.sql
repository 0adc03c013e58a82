-- +goose Up
-- The trace of the request that wanted the version, as a W3C traceparent, so that
-- its delivery is part of it; '' for none.
ALTER TABLE deliveries ADD COLUMN trace text NOT NULL DEFAULT '';

-- +goose Down
ALTER TABLE deliveries DROP COLUMN trace;
