-- +goose Up
-- What compliance says of where engines are and were fitted, by civil days; remove_day is empty while one is fitted. fitted says
-- that it was asked for an engine.
CREATE TABLE engine_fittings (
  engine TEXT NOT NULL, aircraft TEXT NOT NULL, install_day TEXT NOT NULL, remove_day TEXT NOT NULL,
  PRIMARY KEY (engine, aircraft, install_day)
);
CREATE INDEX engine_fittings_by_aircraft ON engine_fittings (aircraft);
ALTER TABLE engine_profiles ADD COLUMN fitted BIGINT NOT NULL DEFAULT 0;
