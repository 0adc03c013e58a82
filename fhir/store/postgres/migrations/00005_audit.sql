-- +goose Up
-- The hash chains of the audit trail, one for each process that writes. The
-- genesis is the digest that a chain begins with; it holds the newest entry of
-- the trail at that time as its anchor. The head moves with every batch.
CREATE TABLE audit_chain (
    cid             bigint PRIMARY KEY,
    name            text   COLLATE "C" NOT NULL UNIQUE,
    started         bigint NOT NULL,
    anchor_chain    text   NOT NULL,
    anchor_sequence bigint NOT NULL,
    anchor_digest   bytea  NOT NULL,
    genesis         bytea  NOT NULL,
    head            bigint NOT NULL,
    head_digest     bytea  NOT NULL
) WITH (fillfactor = 10);

-- How many chains there were. A sequence would leave gaps behind transactions
-- that were rolled back, and a gap says that a chain was removed.
CREATE TABLE audit_chains (
    one  smallint PRIMARY KEY CHECK (one = 1),
    last bigint NOT NULL
);
INSERT INTO audit_chains (one, last) VALUES (1, 0);

-- The entries. The key aid is cid * 2^40 + the place in the chain, so that a
-- chain lies in one piece. The event is JSON compressed with zstd and a
-- dictionary. The patient and the entity of a search may be as long as its address, longer than an
-- entry of a B-tree.
CREATE TABLE audit (
    aid      bigint PRIMARY KEY,
    recorded bigint NOT NULL,
    patient  text   COLLATE "C",
    client   text   COLLATE "C" NOT NULL,
    "user"   text   COLLATE "C" NOT NULL,
    entity   text   COLLATE "C",
    type     text   COLLATE "C" NOT NULL,
    subtype  text   COLLATE "C" NOT NULL,
    action   text   COLLATE "C" NOT NULL,
    outcome  text   COLLATE "C" NOT NULL,
    event    bytea  NOT NULL,
    digest   bytea  NOT NULL
);
ALTER TABLE audit ALTER COLUMN event SET STORAGE EXTERNAL;
CREATE INDEX audit_recorded ON audit (recorded, aid);
CREATE INDEX audit_patient ON audit USING hash (patient) WHERE patient IS NOT NULL;
CREATE INDEX audit_entity ON audit USING hash (entity) WHERE entity IS NOT NULL;

-- Entries are only ever added. The chains find what gets around this.
-- +goose StatementBegin
CREATE FUNCTION audit_is_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit trail is append-only';
END;
$$;
-- +goose StatementEnd
CREATE TRIGGER audit_never_changes BEFORE UPDATE OR DELETE OR TRUNCATE ON audit
    FOR EACH STATEMENT EXECUTE FUNCTION audit_is_append_only();

-- Up to where a target has been given each chain.
CREATE TABLE audit_shipped (
    target   text   COLLATE "C" NOT NULL,
    cid      bigint NOT NULL,
    sequence bigint NOT NULL,
    PRIMARY KEY (target, cid)
);

-- +goose Down
DROP TABLE audit_shipped;
DROP TABLE audit;
DROP FUNCTION audit_is_append_only();
DROP TABLE audit_chains;
DROP TABLE audit_chain;
