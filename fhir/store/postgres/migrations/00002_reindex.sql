-- +goose Up
-- To which generation the index of what is stored has been brought; a program
-- that indexes more than the one before it does so once, when it starts.
CREATE TABLE index_state (
    one        smallint PRIMARY KEY CHECK (one = 1),
    generation bigint NOT NULL
);
INSERT INTO index_state (one, generation) VALUES (1, 0);

-- Random bytes that all processes on this database share.
CREATE TABLE secret (
    name  text  COLLATE "C" PRIMARY KEY,
    value bytea NOT NULL
);

-- +goose Down
DROP TABLE secret;
DROP TABLE index_state;
