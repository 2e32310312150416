-- +goose Up
-- The number of the newest lot, from which its short code is made; one row, which is locked while a lot is added.
CREATE TABLE lot_numbers (
  name TEXT PRIMARY KEY,
  last BIGINT NOT NULL
);
INSERT INTO lot_numbers (name, last) SELECT 'lots', COUNT(*) FROM lots;
