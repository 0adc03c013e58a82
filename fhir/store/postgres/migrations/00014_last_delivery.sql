-- +goose Up
-- When each target last took what was wanted, to the second, so that every
-- process on the database and those started later know it. What was delivered
-- before is as old as its last change.
CREATE TABLE last_delivery (
    target text   NOT NULL PRIMARY KEY,
    at     bigint NOT NULL
);
INSERT INTO last_delivery
    SELECT target, max(changed) FROM deliveries WHERE wanted = delivered AND in_doubt = 0 AND fault = '' AND changed > 0 GROUP BY target;

-- +goose Down
DROP TABLE last_delivery;
