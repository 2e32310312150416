-- +goose Up
-- Which engines followed an entry of flying; an empty engine says that none was fitted.
CREATE TABLE utilization_engines (
  utilization TEXT NOT NULL, engine TEXT NOT NULL,
  PRIMARY KEY (utilization, engine)
);
-- By how much a correction moved the counters of an engine. Records made between first_time and correct_time about work on or
-- after flight_date may carry the wrong counters.
CREATE TABLE counter_corrections (
  engine TEXT NOT NULL, utilization TEXT NOT NULL, flight_date TEXT NOT NULL, first_time BIGINT NOT NULL, correct_time BIGINT NOT NULL,
  operating_seconds BIGINT NOT NULL, cycles BIGINT NOT NULL, starts BIGINT NOT NULL,
  PRIMARY KEY (engine, utilization)
);
