-- +goose Up
CREATE TABLE accounts (
  name        TEXT PRIMARY KEY,
  version     INTEGER NOT NULL,
  body        BLOB NOT NULL,
  login       TEXT NOT NULL UNIQUE,
  state       TEXT NOT NULL,
  kind        TEXT NOT NULL,
  person      TEXT NOT NULL,
  create_time INTEGER NOT NULL
) STRICT;

CREATE TABLE passwords (
  account      TEXT PRIMARY KEY,
  hash         TEXT NOT NULL,
  failures     INTEGER NOT NULL,
  locked_until INTEGER NOT NULL
) STRICT;

CREATE TABLE sessions (
  token_hash  TEXT PRIMARY KEY,
  account     TEXT NOT NULL,
  csrf_token  TEXT NOT NULL,
  auth_time   INTEGER NOT NULL,
  expire_time INTEGER NOT NULL
) STRICT;
CREATE INDEX sessions_account ON sessions (account);

CREATE TABLE invitations (
  token_hash  TEXT PRIMARY KEY,
  account     TEXT NOT NULL,
  expire_time INTEGER NOT NULL
) STRICT;

CREATE TABLE api_keys (
  name        TEXT PRIMARY KEY,
  version     INTEGER NOT NULL,
  body        BLOB NOT NULL,
  create_time INTEGER NOT NULL
) STRICT;

CREATE TABLE api_key_secrets (
  secret_hash TEXT PRIMARY KEY,
  api_key     TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE audit_events (
  name        TEXT PRIMARY KEY,
  version     INTEGER NOT NULL,
  body        BLOB NOT NULL,
  account     TEXT NOT NULL,
  method      TEXT NOT NULL,
  target      TEXT NOT NULL,
  outcome     TEXT NOT NULL,
  create_time INTEGER NOT NULL
) STRICT;
CREATE INDEX audit_time ON audit_events (create_time);
