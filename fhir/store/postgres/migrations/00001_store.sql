-- +goose Up
-- The current state of every resource, and what searches find it by. Times are
-- milliseconds since 1970 UTC. A period without end (NULL) means that the
-- resource is about no time; open bounds are the ends of the integers. Texts
-- compare byte by byte, whatever the locale of the database. A page leaves room
-- for a changed row beside the old one.
CREATE TABLE resource (
    rid          bigint   PRIMARY KEY,
    type         text     COLLATE "C" NOT NULL,
    id           text     COLLATE "C" NOT NULL,
    version      bigint   NOT NULL CHECK (version > 0),
    deleted      smallint NOT NULL CHECK (deleted IN (0, 1)),
    last_updated bigint   NOT NULL,
    patient      text     COLLATE "C",
    status       text     COLLATE "C",
    period_start bigint   NOT NULL,
    period_end   bigint
) WITH (fillfactor = 90);
CREATE UNIQUE INDEX resource_key ON resource (type, id);
CREATE INDEX resource_updated ON resource (type, last_updated);
CREATE INDEX resource_period ON resource (type, period_start);
CREATE INDEX resource_patient ON resource (patient, type, period_start) WHERE patient IS NOT NULL;

-- Every version. The key vid is rid * 2^20 + version, so that the versions of a
-- resource lie side by side and no second index has to be kept. The body is
-- JSON compressed with zstd, empty for a tombstone.
CREATE TABLE resource_version (
    vid     bigint   PRIMARY KEY,
    at      bigint   NOT NULL,
    method  text     NOT NULL,
    deleted smallint NOT NULL CHECK (deleted IN (0, 1)),
    body    bytea    NOT NULL
);
ALTER TABLE resource_version ALTER COLUMN body SET STORAGE EXTERNAL;

-- Search values of every version; only those of a resource's current version
-- count. Nothing is ever taken out, so nothing has to be found to be taken out.
-- A token is looked for by its value, a number within a resource.
CREATE TABLE token (
    param   text   COLLATE "C" NOT NULL,
    value   text   COLLATE "C" NOT NULL,
    rid     bigint NOT NULL,
    version bigint NOT NULL,
    PRIMARY KEY (param, value, rid, version)
);

CREATE TABLE number (
    rid     bigint NOT NULL,
    version bigint NOT NULL,
    param   text   COLLATE "C" NOT NULL,
    value   bigint NOT NULL,
    PRIMARY KEY (rid, version, param, value)
);

-- What a repeated request is recognised by.
CREATE TABLE identity (
    name   text COLLATE "C" PRIMARY KEY,
    type   text COLLATE "C" NOT NULL,
    id     text COLLATE "C" NOT NULL,
    digest text NOT NULL
);

-- Which version a target should hold, and which it does. The lease is fenced by
-- owner and lease_until together.
CREATE TABLE delivery (
    target       text     COLLATE "C" NOT NULL,
    rid          bigint   NOT NULL,
    wanted       bigint   NOT NULL CHECK (wanted > 0),
    delivered    bigint   NOT NULL DEFAULT 0 CHECK (delivered BETWEEN 0 AND wanted),
    retract      smallint NOT NULL CHECK (retract IN (0, 1)),
    begun        smallint NOT NULL DEFAULT 0 CHECK (begun IN (0, 1)),
    in_doubt     smallint NOT NULL DEFAULT 0 CHECK (in_doubt IN (0, 1)),
    remote_id    text     NOT NULL DEFAULT '',
    etag         text     NOT NULL DEFAULT '',
    attempts     bigint   NOT NULL DEFAULT 0 CHECK (attempts >= 0),
    due          bigint   NOT NULL,
    wanted_since bigint,
    parked       smallint NOT NULL DEFAULT 0 CHECK (parked IN (0, 1)),
    reason       text     NOT NULL DEFAULT '',
    owner        text     NOT NULL DEFAULT '',
    lease_until  bigint   NOT NULL DEFAULT 0,
    PRIMARY KEY (target, rid)
) WITH (fillfactor = 50);
CREATE INDEX delivery_due ON delivery (target, due, rid) WHERE wanted <> delivered OR in_doubt = 1;

-- The latest time that anything was written at, behind which no later
-- transaction falls, whatever its clock says. Every commit writes it.
CREATE TABLE clock (
    one smallint PRIMARY KEY CHECK (one = 1),
    at  bigint NOT NULL
) WITH (fillfactor = 10);
INSERT INTO clock (one, at) VALUES (1, 0);

-- +goose Down
DROP TABLE clock;
DROP TABLE delivery;
DROP TABLE identity;
DROP TABLE number;
DROP TABLE token;
DROP TABLE resource_version;
DROP TABLE resource;
