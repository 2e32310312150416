-- +goose Up
ALTER TABLE accounts ADD COLUMN issuer TEXT COLLATE "C" NOT NULL DEFAULT '';
ALTER TABLE accounts ADD COLUMN subject TEXT COLLATE "C" NOT NULL DEFAULT '';
CREATE UNIQUE INDEX accounts_identity ON accounts (issuer, subject) WHERE issuer <> '';

ALTER TABLE sessions ADD COLUMN method TEXT COLLATE "C" NOT NULL DEFAULT 'password';
ALTER TABLE sessions ADD COLUMN proof_time BIGINT NOT NULL DEFAULT 0;

CREATE TABLE second_factors (
  account   TEXT COLLATE "C" PRIMARY KEY,
  secret    BYTEA NOT NULL,
  confirmed BIGINT NOT NULL,
  last_step BIGINT NOT NULL
);

CREATE TABLE recovery_codes (
  account   TEXT COLLATE "C" NOT NULL,
  code_hash TEXT COLLATE "C" NOT NULL,
  PRIMARY KEY (account, code_hash)
);

CREATE TABLE access_tokens (
  token_hash  TEXT COLLATE "C" PRIMARY KEY,
  api_key     TEXT COLLATE "C" NOT NULL,
  scopes      TEXT COLLATE "C" NOT NULL,
  expire_time BIGINT NOT NULL
);
CREATE INDEX access_tokens_expire_time ON access_tokens (expire_time);
