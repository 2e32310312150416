-- +goose Up
-- Whether an item is at or below its reorder point (1 or 0), as it was weighed last; kept so that nobody is told twice.
CREATE TABLE item_levels (
  item       TEXT PRIMARY KEY REFERENCES items (name),
  low        BIGINT NOT NULL,
  check_time BIGINT NOT NULL
);
