-- +goose Up
CREATE TABLE break_glass_seals (
  secret_hash TEXT PRIMARY KEY,
  create_time INTEGER NOT NULL
) STRICT;

CREATE TABLE break_glass_uses (
  name        TEXT PRIMARY KEY,
  version     INTEGER NOT NULL,
  body        BLOB NOT NULL,
  state       TEXT NOT NULL,
  opener      TEXT NOT NULL,
  create_time INTEGER NOT NULL
) STRICT;
