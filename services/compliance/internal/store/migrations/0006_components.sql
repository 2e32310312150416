-- +goose Up
CREATE TABLE components (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  part_number TEXT NOT NULL, serial TEXT NOT NULL, host TEXT NOT NULL, life_limited BIGINT NOT NULL
);
CREATE UNIQUE INDEX components_by_serial ON components (part_number, serial);
CREATE TABLE life_limits (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  part_number TEXT NOT NULL, engine_model TEXT NOT NULL, effective_date TEXT NOT NULL
);
CREATE UNIQUE INDEX life_limits_by_revision ON life_limits (part_number, engine_model, effective_date);
CREATE TABLE tool_uses (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, use_time BIGINT NOT NULL, work_order TEXT NOT NULL
);
-- The engine in which a component counted an entry.
ALTER TABLE flown ADD COLUMN engine TEXT NOT NULL DEFAULT '';
