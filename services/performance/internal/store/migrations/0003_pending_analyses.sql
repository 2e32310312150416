-- +goose Up
-- Engines whose new readings are kept and not worked out yet, with the time of the first of these readings.
CREATE TABLE pending_analyses (
  engine TEXT PRIMARY KEY, since BIGINT NOT NULL
);
