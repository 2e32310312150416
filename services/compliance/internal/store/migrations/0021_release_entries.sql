-- +goose Up
-- Releases of work orders, and whether the owner's record has them.
CREATE TABLE release_entries (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  work_order TEXT NOT NULL, engine TEXT NOT NULL, aircraft TEXT NOT NULL, release_date TEXT NOT NULL, latest_date TEXT NOT NULL,
  entered BIGINT NOT NULL, timely BIGINT NOT NULL, inspection_result TEXT NOT NULL
);
CREATE INDEX release_entries_of_engine ON release_entries (engine, entered);
