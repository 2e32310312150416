-- +goose Up
-- The ids of items in other systems, so that one is found without reading the catalogue. A row counts only while its version is
-- the item's: what a process of the version before writes is found by the difference. The row without a system says that an item
-- was looked at.
CREATE TABLE item_ids (
  item        TEXT NOT NULL REFERENCES items (name),
  system      TEXT NOT NULL,
  external_id TEXT NOT NULL,
  version     BIGINT NOT NULL,
  PRIMARY KEY (item, system)
);
CREATE INDEX item_ids_by_id ON item_ids (system, external_id);
