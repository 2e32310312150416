-- +goose Up
-- Record packs as they were made; content is the file.
CREATE TABLE record_packs (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  subject TEXT NOT NULL, number TEXT NOT NULL, create_time BIGINT NOT NULL
);
CREATE TABLE record_pack_files (
  name TEXT PRIMARY KEY, content BLOB NOT NULL
);
