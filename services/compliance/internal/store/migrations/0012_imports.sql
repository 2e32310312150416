-- +goose Up
-- The rows of tables that were taken in: what was made of each, and what the row said, so that the same row again is no change.
CREATE TABLE imported_rows (
  kind TEXT NOT NULL, source_id TEXT NOT NULL, name TEXT NOT NULL, content_hash TEXT NOT NULL, record_time BIGINT NOT NULL,
  PRIMARY KEY (kind, source_id)
);
