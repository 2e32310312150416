-- +goose Up
-- Whose rules records follow; older revisions are in older_revisions.
CREATE TABLE regimes (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, display_name TEXT NOT NULL
);
-- What is known of an attachment; its bytes lie beside it, once for each hash, and are never changed.
CREATE TABLE attachments (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, media_type TEXT NOT NULL
);
CREATE TABLE attachment_bytes (
  sha256 TEXT PRIMARY KEY, content BLOB NOT NULL
);
-- One row for each engine whose starter was run: who records a run locks it, so that runs on two orders of one engine wait for
-- each other and are compared.
CREATE TABLE starters (
  engine TEXT PRIMARY KEY, uses BIGINT NOT NULL
);
