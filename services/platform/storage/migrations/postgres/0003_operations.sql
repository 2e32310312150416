-- +goose Up
-- Operations that outlive a call and a process; end_time is 0 while one is not ended.
CREATE TABLE operations (
  name        TEXT COLLATE "C" PRIMARY KEY,
  kind        TEXT COLLATE "C" NOT NULL,
  state       TEXT COLLATE "C" NOT NULL,
  creator     TEXT COLLATE "C" NOT NULL,
  create_time BIGINT NOT NULL,
  end_time    BIGINT NOT NULL,
  caller      BYTEA NOT NULL,
  request     BYTEA NOT NULL,
  input       TEXT COLLATE "C" NOT NULL,
  metadata    BYTEA NOT NULL,
  result      BYTEA NOT NULL,
  error       BYTEA NOT NULL
);
CREATE INDEX operations_unended ON operations (create_time) WHERE end_time = 0;

-- The files that operations read, by their SHA-256.
CREATE TABLE operation_inputs (
  hash    TEXT COLLATE "C" PRIMARY KEY,
  content BYTEA NOT NULL
);
