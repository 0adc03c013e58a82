-- +goose Up
-- The hash chains of the audit trail, one for each process that writes. The
-- genesis is the digest that a chain begins with; it holds the newest entry of
-- the trail at that time as its anchor. The head moves with every batch.
CREATE TABLE audit_chain (
    cid             INTEGER PRIMARY KEY AUTOINCREMENT,
    name            TEXT    NOT NULL UNIQUE,
    started         INTEGER NOT NULL,
    anchor_chain    TEXT    NOT NULL,
    anchor_sequence INTEGER NOT NULL,
    anchor_digest   BLOB    NOT NULL,
    genesis         BLOB    NOT NULL,
    head            INTEGER NOT NULL,
    head_digest     BLOB    NOT NULL
) STRICT;

-- The entries. The key aid is cid * 2^40 + the place in the chain, so that a
-- chain lies in one piece. The event is JSON compressed with zstd and a
-- dictionary.
CREATE TABLE audit (
    aid      INTEGER PRIMARY KEY,
    recorded INTEGER NOT NULL,
    patient  TEXT,
    client   TEXT    NOT NULL,
    user     TEXT    NOT NULL,
    entity   TEXT,
    type     TEXT    NOT NULL,
    subtype  TEXT    NOT NULL,
    action   TEXT    NOT NULL,
    outcome  TEXT    NOT NULL,
    event    BLOB    NOT NULL,
    digest   BLOB    NOT NULL
) STRICT;
CREATE INDEX audit_recorded ON audit (recorded);
CREATE INDEX audit_patient ON audit (patient, recorded) WHERE patient IS NOT NULL;
CREATE INDEX audit_entity ON audit (entity, recorded) WHERE entity IS NOT NULL;

-- Entries are only ever added. The chains find what gets around this.
-- +goose StatementBegin
CREATE TRIGGER audit_never_changes BEFORE UPDATE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit trail is append-only');
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_never_shrinks BEFORE DELETE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit trail is append-only');
END;
-- +goose StatementEnd

-- For the planner, see 00003_plans.sql.
INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES
    ('audit', 'audit_recorded', '20000000 2'),
    ('audit', 'audit_patient', '15000000 500 1'),
    ('audit', 'audit_entity', '15000000 20 1');

-- Up to where a target has been given each chain.
CREATE TABLE audit_shipped (
    target   TEXT    NOT NULL,
    cid      INTEGER NOT NULL,
    sequence INTEGER NOT NULL,
    PRIMARY KEY (target, cid)
) STRICT, WITHOUT ROWID;

-- +goose Down
DELETE FROM sqlite_stat1 WHERE tbl = 'audit';
DROP TABLE audit_shipped;
DROP TABLE audit;
DROP TABLE audit_chain;
