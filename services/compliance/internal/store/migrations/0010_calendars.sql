-- +goose Up
CREATE TABLE calendar_feeds (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, account TEXT NOT NULL, create_time BIGINT NOT NULL
);
-- The hash of the one secret that reads a calendar; a calendar that was ended has none.
CREATE TABLE calendar_secrets (
  feed TEXT PRIMARY KEY, hash TEXT NOT NULL UNIQUE
);
-- What a calendar said when it was last read; cancelled (0 or 1) when it shows the item no longer.
CREATE TABLE calendar_entries (
  feed TEXT NOT NULL, due_item TEXT NOT NULL, sequence BIGINT NOT NULL, change_time BIGINT NOT NULL, cancelled BIGINT NOT NULL,
  day TEXT NOT NULL, summary TEXT NOT NULL, description TEXT NOT NULL,
  PRIMARY KEY (feed, due_item)
);
