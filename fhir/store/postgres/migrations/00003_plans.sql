-- +goose Up
-- What the planner goes by. PostgreSQL counts for itself, but only after a tenth
-- of a table has changed; a table that grows by one patient's forms at a time is
-- counted sooner. The few rows of the clock and of the deliveries change with
-- every commit, and are cleaned up as soon as a few hundred have.
ALTER TABLE resource SET (autovacuum_analyze_scale_factor = 0.02);
ALTER TABLE token SET (autovacuum_analyze_scale_factor = 0.02);
ALTER TABLE number SET (autovacuum_analyze_scale_factor = 0.02);
ALTER TABLE delivery SET (autovacuum_vacuum_scale_factor = 0.01, autovacuum_vacuum_threshold = 500);
ALTER TABLE clock SET (autovacuum_vacuum_scale_factor = 0, autovacuum_vacuum_threshold = 500);

-- +goose Down
ALTER TABLE resource RESET (autovacuum_analyze_scale_factor);
ALTER TABLE token RESET (autovacuum_analyze_scale_factor);
ALTER TABLE number RESET (autovacuum_analyze_scale_factor);
ALTER TABLE delivery RESET (autovacuum_vacuum_scale_factor, autovacuum_vacuum_threshold);
ALTER TABLE clock RESET (autovacuum_vacuum_scale_factor, autovacuum_vacuum_threshold);
