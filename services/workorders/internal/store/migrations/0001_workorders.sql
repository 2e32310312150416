-- +goose Up
CREATE TABLE stations (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, display_name TEXT NOT NULL
);
CREATE TABLE task_cards (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, kind TEXT NOT NULL, display_name TEXT NOT NULL
);
CREATE TABLE work_orders (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  state TEXT NOT NULL, engine TEXT NOT NULL, aircraft TEXT NOT NULL, kind TEXT NOT NULL, assignees TEXT NOT NULL, station TEXT NOT NULL, hold BIGINT NOT NULL,
  plan_start_time BIGINT NOT NULL, number TEXT NOT NULL UNIQUE, create_time BIGINT NOT NULL, inspection_required BIGINT NOT NULL
);
CREATE TABLE steps (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, position BIGINT NOT NULL, kind TEXT NOT NULL, state TEXT NOT NULL
);
CREATE TABLE wash_plans (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL
);
CREATE TABLE measurements (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, step TEXT NOT NULL, limits_met BIGINT NOT NULL, successor TEXT NOT NULL, create_time BIGINT NOT NULL
);
CREATE TABLE motoring_runs (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, exceedance BIGINT NOT NULL, start_time BIGINT NOT NULL
);
CREATE TABLE findings (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, state TEXT NOT NULL, raise_time BIGINT NOT NULL
);
CREATE TABLE labour_entries (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, person TEXT NOT NULL
);
-- A signature is written once; void_time is the only thing that ever changes, when the work was sent back.
CREATE TABLE signatures (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, meaning TEXT NOT NULL, person TEXT NOT NULL
);
