-- +goose Up
CREATE TABLE break_glass_seals (
  secret_hash TEXT COLLATE "C" PRIMARY KEY,
  create_time BIGINT NOT NULL
);

CREATE TABLE break_glass_uses (
  name        TEXT COLLATE "C" PRIMARY KEY,
  version     BIGINT NOT NULL,
  body        BYTEA NOT NULL,
  state       TEXT COLLATE "C" NOT NULL,
  opener      TEXT COLLATE "C" NOT NULL,
  create_time BIGINT NOT NULL
);
