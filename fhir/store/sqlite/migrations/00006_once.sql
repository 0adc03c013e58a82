-- +goose Up
-- What may happen once: names that are refused again until their time.
CREATE TABLE once (
    name  TEXT    NOT NULL PRIMARY KEY,
    until INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX once_until ON once (until);

-- +goose Down
DROP TABLE once;
