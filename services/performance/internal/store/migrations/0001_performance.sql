-- +goose Up
CREATE TABLE engine_models (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, display_name TEXT NOT NULL
);
CREATE TABLE readings (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  state TEXT NOT NULL, read_time BIGINT NOT NULL, create_time BIGINT NOT NULL, source TEXT NOT NULL, source_id TEXT NOT NULL
);
CREATE TABLE engine_events (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, kind TEXT NOT NULL, event_time BIGINT NOT NULL, work_order TEXT NOT NULL
);
CREATE TABLE assessments (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  level TEXT NOT NULL, engine_serial TEXT NOT NULL, engine_model TEXT NOT NULL, engine TEXT NOT NULL
);
CREATE TABLE wash_advices (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, kind TEXT NOT NULL, cause TEXT NOT NULL, state TEXT NOT NULL, advise_time BIGINT NOT NULL
);
CREATE TABLE recoveries (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, verdict TEXT NOT NULL, wash_time BIGINT NOT NULL, work_order TEXT NOT NULL
);
-- What compliance says of an engine, kept so that a reading can be taken while compliance is away.
CREATE TABLE engine_profiles (
  name TEXT PRIMARY KEY, serial TEXT NOT NULL UNIQUE, engine_model TEXT NOT NULL
);
