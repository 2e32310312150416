-- +goose Up
CREATE TABLE stock_counts (
  name       TEXT PRIMARY KEY,
  version    BIGINT NOT NULL,
  body       BLOB NOT NULL,
  lot        TEXT NOT NULL,
  location   TEXT NOT NULL,
  state      TEXT NOT NULL,
  count_time BIGINT NOT NULL
);
CREATE INDEX stock_counts_of_lot ON stock_counts (lot, location);
