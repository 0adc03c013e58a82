-- +goose Up
-- The current state of every resource, and what searches find it by. Times are
-- milliseconds since 1970 UTC. A period without end (NULL) means that the
-- resource is about no time; open bounds are the ends of the integers.
CREATE TABLE resource (
    rid          INTEGER PRIMARY KEY,
    type         TEXT    NOT NULL,
    id           TEXT    NOT NULL,
    version      INTEGER NOT NULL CHECK (version > 0),
    deleted      INTEGER NOT NULL CHECK (deleted IN (0, 1)),
    last_updated INTEGER NOT NULL,
    patient      TEXT,
    status       TEXT,
    period_start INTEGER NOT NULL,
    period_end   INTEGER
) STRICT;
CREATE UNIQUE INDEX resource_key ON resource (type, id);
CREATE INDEX resource_updated ON resource (type, last_updated);
CREATE INDEX resource_period ON resource (type, period_start);
CREATE INDEX resource_patient ON resource (patient, type, period_start) WHERE patient IS NOT NULL;

-- Every version. The key vid is rid * 2^20 + version, so that the versions of a
-- resource lie side by side and no second index has to be kept. The body is
-- JSON compressed with zstd, empty for a tombstone.
CREATE TABLE resource_version (
    vid     INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,
    method  TEXT    NOT NULL,
    deleted INTEGER NOT NULL CHECK (deleted IN (0, 1)),
    body    BLOB    NOT NULL
) STRICT;

-- Search values of every version; only those of a resource's current version
-- count. Nothing is ever taken out, so nothing has to be found to be taken out.
-- A token is looked for by its value, a number within a resource.
CREATE TABLE token (
    param   TEXT    NOT NULL,
    value   TEXT    NOT NULL,
    rid     INTEGER NOT NULL,
    version INTEGER NOT NULL,
    PRIMARY KEY (param, value, rid, version)
) STRICT, WITHOUT ROWID;

CREATE TABLE number (
    rid     INTEGER NOT NULL,
    version INTEGER NOT NULL,
    param   TEXT    NOT NULL,
    value   INTEGER NOT NULL,
    PRIMARY KEY (rid, version, param, value)
) STRICT, WITHOUT ROWID;

-- What a repeated request is recognised by.
CREATE TABLE identity (
    name   TEXT NOT NULL PRIMARY KEY,
    type   TEXT NOT NULL,
    id     TEXT NOT NULL,
    digest TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Which version a target should hold, and which it does. The lease is fenced by
-- owner and lease_until together.
CREATE TABLE delivery (
    target       TEXT    NOT NULL,
    rid          INTEGER NOT NULL,
    wanted       INTEGER NOT NULL CHECK (wanted > 0),
    delivered    INTEGER NOT NULL DEFAULT 0 CHECK (delivered BETWEEN 0 AND wanted),
    retract      INTEGER NOT NULL CHECK (retract IN (0, 1)),
    begun        INTEGER NOT NULL DEFAULT 0 CHECK (begun IN (0, 1)),
    in_doubt     INTEGER NOT NULL DEFAULT 0 CHECK (in_doubt IN (0, 1)),
    remote_id    TEXT    NOT NULL DEFAULT '',
    etag         TEXT    NOT NULL DEFAULT '',
    attempts     INTEGER NOT NULL DEFAULT 0 CHECK (attempts >= 0),
    due          INTEGER NOT NULL,
    wanted_since INTEGER,
    parked       INTEGER NOT NULL DEFAULT 0 CHECK (parked IN (0, 1)),
    reason       TEXT    NOT NULL DEFAULT '',
    owner        TEXT    NOT NULL DEFAULT '',
    lease_until  INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (target, rid)
) STRICT, WITHOUT ROWID;
CREATE INDEX delivery_due ON delivery (target, due) WHERE wanted <> delivered OR in_doubt = 1;

-- The latest time that anything was written at, behind which no later
-- transaction falls, whatever its clock says. Every commit writes it.
CREATE TABLE clock (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    at  INTEGER NOT NULL
) STRICT;
INSERT INTO clock (one, at) VALUES (1, 0);

-- +goose Down
DROP TABLE clock;
DROP TABLE delivery;
DROP TABLE identity;
DROP TABLE number;
DROP TABLE token;
DROP TABLE resource_version;
DROP TABLE resource;
