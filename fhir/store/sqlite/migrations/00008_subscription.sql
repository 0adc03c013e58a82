-- +goose Up
-- Webhooks. Body is the resource, private what nobody is shown. Of what has
-- happened only what lies behind since concerns it. Due is when a worker has
-- something to do, planned when that was written: a clock that shows less now
-- was set back. Times are milliseconds since 1970 UTC, 0 for none.
CREATE TABLE subscription (
    id           TEXT    NOT NULL PRIMARY KEY,
    owner        TEXT    NOT NULL,
    version      INTEGER NOT NULL CHECK (version > 0),
    last_updated INTEGER NOT NULL,
    body         BLOB    NOT NULL,
    private      BLOB    NOT NULL,
    status       TEXT    NOT NULL CHECK (status IN ('requested', 'active', 'error', 'off')),
    fault        TEXT    NOT NULL,
    since        INTEGER NOT NULL,
    events       INTEGER NOT NULL DEFAULT 0 CHECK (events >= 0),
    delivered    INTEGER NOT NULL DEFAULT 0 CHECK (delivered BETWEEN 0 AND events),
    attempts     INTEGER NOT NULL CHECK (attempts >= 0),
    sent         INTEGER NOT NULL,
    failing      INTEGER NOT NULL,
    due          INTEGER NOT NULL,
    planned      INTEGER NOT NULL,
    lease        TEXT    NOT NULL DEFAULT '',
    lease_until  INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX subscription_owner ON subscription (owner);

-- What has happened and is not yet given to the subscriptions, in the order of
-- the commits. Nothing is written here while there is no subscription.
CREATE TABLE happened (
    seq     INTEGER PRIMARY KEY AUTOINCREMENT,
    rid     INTEGER NOT NULL,
    version INTEGER NOT NULL,
    at      INTEGER NOT NULL
) STRICT;

-- The events of each subscription by their numbers.
CREATE TABLE notification (
    sid     TEXT    NOT NULL,
    number  INTEGER NOT NULL CHECK (number > 0),
    rid     INTEGER NOT NULL,
    version INTEGER NOT NULL,
    at      INTEGER NOT NULL,
    PRIMARY KEY (sid, number)
) STRICT, WITHOUT ROWID;

-- +goose Down
DROP TABLE notification;
DROP TABLE happened;
DROP TABLE subscription;
