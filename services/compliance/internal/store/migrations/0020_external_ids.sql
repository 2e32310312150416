-- +goose Up
-- The ids of aircraft and engines in other systems, so that one is found without reading the fleet. The row without a system says
-- which ids were kept, and of which version.
CREATE TABLE aircraft_ids (
  aircraft TEXT NOT NULL REFERENCES aircraft (name), system TEXT NOT NULL, external_id TEXT NOT NULL, version BIGINT NOT NULL,
  PRIMARY KEY (aircraft, system)
);
CREATE INDEX aircraft_ids_by_id ON aircraft_ids (system, external_id);
CREATE TABLE engine_ids (
  engine TEXT NOT NULL REFERENCES engines (name), system TEXT NOT NULL, external_id TEXT NOT NULL, version BIGINT NOT NULL,
  PRIMARY KEY (engine, system)
);
CREATE INDEX engine_ids_by_id ON engine_ids (system, external_id);
