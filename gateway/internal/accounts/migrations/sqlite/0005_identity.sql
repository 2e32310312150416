-- +goose Up
ALTER TABLE accounts ADD COLUMN issuer TEXT NOT NULL DEFAULT '';
ALTER TABLE accounts ADD COLUMN subject TEXT NOT NULL DEFAULT '';
CREATE UNIQUE INDEX accounts_identity ON accounts (issuer, subject) WHERE issuer <> '';

ALTER TABLE sessions ADD COLUMN method TEXT NOT NULL DEFAULT 'password';
ALTER TABLE sessions ADD COLUMN proof_time INTEGER NOT NULL DEFAULT 0;

CREATE TABLE second_factors (
  account   TEXT PRIMARY KEY,
  secret    BLOB NOT NULL,
  confirmed INTEGER NOT NULL,
  last_step INTEGER NOT NULL
) STRICT;

CREATE TABLE recovery_codes (
  account   TEXT NOT NULL,
  code_hash TEXT NOT NULL,
  PRIMARY KEY (account, code_hash)
) STRICT;

CREATE TABLE access_tokens (
  token_hash  TEXT PRIMARY KEY,
  api_key     TEXT NOT NULL,
  scopes      TEXT NOT NULL,
  expire_time INTEGER NOT NULL
) STRICT;
CREATE INDEX access_tokens_expire_time ON access_tokens (expire_time);
