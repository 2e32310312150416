-- +goose Up
-- The ids of lots in other systems. The row without a system says which ids were kept, and of which version.
CREATE TABLE lot_ids (
  lot TEXT NOT NULL REFERENCES lots (name), system TEXT NOT NULL, external_id TEXT NOT NULL, version BIGINT NOT NULL,
  PRIMARY KEY (lot, system)
);
CREATE INDEX lot_ids_by_id ON lot_ids (system, external_id);
