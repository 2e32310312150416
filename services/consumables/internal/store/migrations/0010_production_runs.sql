-- +goose Up
CREATE TABLE production_runs (
  name       TEXT PRIMARY KEY,
  version    BIGINT NOT NULL,
  body       BLOB NOT NULL,
  equipment  TEXT NOT NULL,
  item       TEXT NOT NULL,
  verdict    TEXT NOT NULL,
  start_time BIGINT NOT NULL,
  end_time   BIGINT NOT NULL
);
CREATE INDEX production_runs_of_equipment ON production_runs (equipment, start_time);
