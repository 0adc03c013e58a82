-- +goose Up
-- Bulk exports: what was asked and what has been found so far, but no copy of any
-- resource, since every version stays. Times are milliseconds since 1970 UTC.
CREATE TABLE export (
    id          TEXT    NOT NULL PRIMARY KEY,
    owner       TEXT    NOT NULL,
    instant     INTEGER NOT NULL,
    expires     INTEGER NOT NULL,
    request     BLOB    NOT NULL,
    state       BLOB    NOT NULL,
    status      TEXT    NOT NULL CHECK (status IN ('running', 'done', 'failed')),
    lease       TEXT    NOT NULL DEFAULT '',
    lease_until INTEGER NOT NULL DEFAULT 0
) STRICT;

-- +goose Down
DROP TABLE export;
