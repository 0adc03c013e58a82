-- +goose Up
-- Bulk exports: what was asked and what has been found so far, but no copy of any
-- resource, since every version stays. Times are milliseconds since 1970 UTC.
CREATE TABLE export (
    id          text   COLLATE "C" PRIMARY KEY,
    owner       text   COLLATE "C" NOT NULL,
    instant     bigint NOT NULL,
    expires     bigint NOT NULL,
    request     bytea  NOT NULL,
    state       bytea  NOT NULL,
    status      text   NOT NULL CHECK (status IN ('running', 'done', 'failed')),
    lease       text   NOT NULL DEFAULT '',
    lease_until bigint NOT NULL DEFAULT 0
);

-- +goose Down
DROP TABLE export;
