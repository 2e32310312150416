-- +goose Up
-- The owners whose things a pack holds, when not all; and the bytes of packs in parts. Packs from before are whole in record_pack_files.
ALTER TABLE record_packs ADD COLUMN limited_to TEXT NOT NULL DEFAULT '';
CREATE TABLE record_pack_parts (
  name TEXT NOT NULL, part BIGINT NOT NULL, content BLOB NOT NULL, PRIMARY KEY (name, part)
);
