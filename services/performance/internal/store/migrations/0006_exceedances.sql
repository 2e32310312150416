-- +goose Up
-- What went beyond an engine's charts or limits. It is closed by quality and never removed.
CREATE TABLE engine_exceedances (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  state TEXT NOT NULL, source TEXT NOT NULL, chart TEXT NOT NULL, exceed_time BIGINT NOT NULL
);
