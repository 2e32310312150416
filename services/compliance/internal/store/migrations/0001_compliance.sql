-- +goose Up
CREATE TABLE aircraft (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  registration TEXT NOT NULL, model TEXT NOT NULL
);
CREATE TABLE engines (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  serial TEXT NOT NULL, engine_model TEXT NOT NULL, aircraft TEXT NOT NULL
);
CREATE UNIQUE INDEX engines_by_serial ON engines (engine_model, serial);
CREATE TABLE utilizations (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  flight_date TEXT NOT NULL, source_id TEXT NOT NULL, create_time BIGINT NOT NULL
);
CREATE TABLE requirements (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  kind TEXT NOT NULL, code TEXT NOT NULL, task_card TEXT NOT NULL
);
CREATE TABLE due_items (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  subject TEXT NOT NULL, requirement TEXT NOT NULL, band TEXT NOT NULL, due_date TEXT NOT NULL, kind TEXT NOT NULL
);
CREATE INDEX due_items_of_subject ON due_items (subject);
CREATE TABLE accomplishments (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  subject TEXT NOT NULL, work_order TEXT NOT NULL, done_date TEXT NOT NULL, create_time BIGINT NOT NULL
);
CREATE INDEX accomplishments_of_order ON accomplishments (work_order);
CREATE TABLE tools (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  tool_type TEXT NOT NULL, serial TEXT NOT NULL, calibration_due_date TEXT NOT NULL
);
CREATE TABLE calibrations (
  tool TEXT NOT NULL, calibration_date TEXT NOT NULL, due_date TEXT NOT NULL, certificate TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (tool, calibration_date, certificate)
);
CREATE TABLE people (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, display_name TEXT NOT NULL
);
CREATE TABLE authorizations (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, scope TEXT NOT NULL
);
