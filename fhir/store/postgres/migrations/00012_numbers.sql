-- +goose Up
-- The numbers of a version are asked for within a resource, never by their value,
-- so that one row with all of them does: a score has thirty, and a row and an
-- entry of an index for each were half of what storing it took. number shows them
-- one by one, for searches.
ALTER TABLE number RENAME TO number_before;
CREATE TABLE numbers (
    rid     bigint   NOT NULL,
    version bigint   NOT NULL,
    params  text[]   COLLATE "C" NOT NULL,
    vals    bigint[] NOT NULL CHECK (cardinality(vals) = cardinality(params)),
    PRIMARY KEY (rid, version)
);
INSERT INTO numbers (rid, version, params, vals)
    SELECT rid, version, array_agg(param ORDER BY param, value), array_agg(value ORDER BY param, value)
    FROM number_before GROUP BY rid, version;
DROP TABLE number_before;
CREATE VIEW number AS
    SELECT s.rid, s.version, n.param COLLATE "C" AS param, n.value
    FROM numbers s CROSS JOIN LATERAL unnest(s.params, s.vals) AS n (param, value);
ALTER TABLE numbers SET (autovacuum_analyze_scale_factor = 0.02);

-- Replicas that have not been replaced yet insert one by one.
-- +goose StatementBegin
CREATE FUNCTION number_is_in_numbers() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO numbers AS s (rid, version, params, vals)
        VALUES (NEW.rid, NEW.version, ARRAY[NEW.param], ARRAY[NEW.value])
        ON CONFLICT (rid, version) DO UPDATE SET params = s.params || excluded.params, vals = s.vals || excluded.vals
        WHERE NOT EXISTS (SELECT 1 FROM unnest(s.params, s.vals) AS n (param, value) WHERE n.param = NEW.param AND n.value = NEW.value);
    RETURN NEW;
END;
$$;
-- +goose StatementEnd
CREATE TRIGGER number_one_by_one INSTEAD OF INSERT ON number FOR EACH ROW EXECUTE FUNCTION number_is_in_numbers();

-- A body is compressed already. One of a score, of about two kilobytes, stays in
-- its row; cut in pieces, each would be a row with an entry of an index again.
ALTER TABLE resource_version SET (toast_tuple_target = 8160);

-- +goose Down
ALTER TABLE resource_version RESET (toast_tuple_target);
CREATE TABLE number_before (
    rid     bigint NOT NULL,
    version bigint NOT NULL,
    param   text   COLLATE "C" NOT NULL,
    value   bigint NOT NULL,
    PRIMARY KEY (rid, version, param, value)
);
INSERT INTO number_before SELECT DISTINCT rid, version, param, value FROM number;
DROP VIEW number;
DROP FUNCTION number_is_in_numbers();
DROP TABLE numbers;
ALTER TABLE number_before RENAME TO number;
ALTER INDEX number_before_pkey RENAME TO number_pkey;
ALTER TABLE number SET (autovacuum_analyze_scale_factor = 0.02);
