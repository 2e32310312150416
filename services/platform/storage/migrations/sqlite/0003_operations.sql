-- +goose Up
-- Operations that outlive a call and a process; end_time is 0 while one is not ended.
CREATE TABLE operations (
  name        TEXT PRIMARY KEY,
  kind        TEXT NOT NULL,
  state       TEXT NOT NULL,
  creator     TEXT NOT NULL,
  create_time INTEGER NOT NULL,
  end_time    INTEGER NOT NULL,
  caller      BLOB NOT NULL,
  request     BLOB NOT NULL,
  input       TEXT NOT NULL,
  metadata    BLOB NOT NULL,
  result      BLOB NOT NULL,
  error       BLOB NOT NULL
) STRICT;
CREATE INDEX operations_unended ON operations (create_time) WHERE end_time = 0;

-- The files that operations read, by their SHA-256.
CREATE TABLE operation_inputs (
  hash    TEXT PRIMARY KEY,
  content BLOB NOT NULL
) STRICT;
