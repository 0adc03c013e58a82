-- +goose Up
-- A target may take a score as several resources, each of which is a delivery of
-- its own; member names it, '' the score itself.
CREATE TABLE delivery_of_member (
    target       TEXT    NOT NULL,
    rid          INTEGER NOT NULL,
    member       TEXT    NOT NULL,
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
    PRIMARY KEY (target, rid, member)
) STRICT, WITHOUT ROWID;
INSERT INTO delivery_of_member
    SELECT target, rid, '', wanted, delivered, retract, begun, in_doubt, remote_id, etag, attempts, due,
        wanted_since, parked, reason, owner, lease_until FROM delivery;
DROP TABLE delivery;
ALTER TABLE delivery_of_member RENAME TO delivery;
CREATE INDEX delivery_due ON delivery (target, due, rid, member) WHERE wanted <> delivered OR in_doubt = 1;

-- +goose Down
DELETE FROM delivery WHERE member <> '';
CREATE TABLE delivery_of_whole (
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
INSERT INTO delivery_of_whole
    SELECT target, rid, wanted, delivered, retract, begun, in_doubt, remote_id, etag, attempts, due,
        wanted_since, parked, reason, owner, lease_until FROM delivery;
DROP TABLE delivery;
ALTER TABLE delivery_of_whole RENAME TO delivery;
CREATE INDEX delivery_due ON delivery (target, due) WHERE wanted <> delivered OR in_doubt = 1;
