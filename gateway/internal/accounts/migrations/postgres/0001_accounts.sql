-- +goose Up
CREATE TABLE accounts (
  name        TEXT PRIMARY KEY,
  version     BIGINT NOT NULL,
  body        BYTEA NOT NULL,
  login       TEXT NOT NULL UNIQUE,
  state       TEXT NOT NULL,
  kind        TEXT NOT NULL,
  person      TEXT NOT NULL,
  create_time BIGINT NOT NULL
);

CREATE TABLE passwords (
  account      TEXT PRIMARY KEY,
  hash         TEXT NOT NULL,
  failures     BIGINT NOT NULL,
  locked_until BIGINT NOT NULL
);

CREATE TABLE sessions (
  token_hash  TEXT PRIMARY KEY,
  account     TEXT NOT NULL,
  csrf_token  TEXT NOT NULL,
  auth_time   BIGINT NOT NULL,
  expire_time BIGINT NOT NULL
);
CREATE INDEX sessions_account ON sessions (account);

CREATE TABLE invitations (
  token_hash  TEXT PRIMARY KEY,
  account     TEXT NOT NULL,
  expire_time BIGINT NOT NULL
);

CREATE TABLE api_keys (
  name        TEXT PRIMARY KEY,
  version     BIGINT NOT NULL,
  body        BYTEA NOT NULL,
  create_time BIGINT NOT NULL
);

CREATE TABLE api_key_secrets (
  secret_hash TEXT PRIMARY KEY,
  api_key     TEXT NOT NULL UNIQUE
);

CREATE TABLE audit_events (
  name        TEXT PRIMARY KEY,
  version     BIGINT NOT NULL,
  body        BYTEA NOT NULL,
  account     TEXT NOT NULL,
  method      TEXT NOT NULL,
  target      TEXT NOT NULL,
  outcome     TEXT NOT NULL,
  create_time BIGINT NOT NULL
);
CREATE INDEX audit_time ON audit_events (create_time);
