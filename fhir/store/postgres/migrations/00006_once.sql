-- +goose Up
-- What may happen once: names that are refused again until their time.
CREATE TABLE once (
    name  text   COLLATE "C" PRIMARY KEY,
    until bigint NOT NULL
);
CREATE INDEX once_until ON once (until);

-- +goose Down
DROP TABLE once;
