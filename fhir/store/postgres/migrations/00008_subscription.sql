-- +goose Up
-- Webhooks. Body is the resource, private what nobody is shown. Of what has
-- happened only what lies behind since concerns it. Due is when a worker has
-- something to do, planned when that was written: a clock that shows less now
-- was set back. Times are milliseconds since 1970 UTC, 0 for none.
CREATE TABLE subscription (
    id           text   COLLATE "C" PRIMARY KEY,
    owner        text   COLLATE "C" NOT NULL,
    version      bigint NOT NULL CHECK (version > 0),
    last_updated bigint NOT NULL,
    body         bytea  NOT NULL,
    private      bytea  NOT NULL,
    status       text   NOT NULL CHECK (status IN ('requested', 'active', 'error', 'off')),
    fault        text   NOT NULL,
    since        bigint NOT NULL,
    events       bigint NOT NULL DEFAULT 0 CHECK (events >= 0),
    delivered    bigint NOT NULL DEFAULT 0 CHECK (delivered BETWEEN 0 AND events),
    attempts     bigint NOT NULL CHECK (attempts >= 0),
    sent         bigint NOT NULL,
    failing      bigint NOT NULL,
    due          bigint NOT NULL,
    planned      bigint NOT NULL,
    lease        text   NOT NULL DEFAULT '',
    lease_until  bigint NOT NULL DEFAULT 0
) WITH (fillfactor = 50);
CREATE INDEX subscription_owner ON subscription (owner);

-- What has happened and is not yet given to the subscriptions, in the order of
-- the commits: whoever writes holds the lock of the writers, so that no number
-- appears after a higher one. Nothing is written here while there is no
-- subscription.
CREATE TABLE happened (
    seq     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    rid     bigint NOT NULL,
    version bigint NOT NULL,
    at      bigint NOT NULL
) WITH (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_threshold = 500);

-- The events of each subscription by their numbers.
CREATE TABLE notification (
    sid     text   COLLATE "C" NOT NULL,
    number  bigint NOT NULL CHECK (number > 0),
    rid     bigint NOT NULL,
    version bigint NOT NULL,
    at      bigint NOT NULL,
    PRIMARY KEY (sid, number)
);

-- +goose Down
DROP TABLE notification;
DROP TABLE happened;
DROP TABLE subscription;
