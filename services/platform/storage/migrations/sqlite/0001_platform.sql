-- +goose Up
CREATE TABLE outbox (
  seq         INTEGER PRIMARY KEY AUTOINCREMENT,
  id          TEXT NOT NULL UNIQUE,
  type        TEXT NOT NULL,
  source      TEXT NOT NULL,
  subject     TEXT NOT NULL,
  version     INTEGER NOT NULL,
  event_time  INTEGER NOT NULL,
  actor       TEXT NOT NULL,
  traceparent TEXT NOT NULL,
  data        BLOB NOT NULL,
  sent_time   INTEGER NOT NULL DEFAULT 0,
  UNIQUE (source, subject, version)
) STRICT;
CREATE INDEX outbox_unsent ON outbox (seq) WHERE sent_time = 0;

CREATE TABLE processed_events (
  consumer     TEXT NOT NULL,
  event_id     TEXT NOT NULL,
  process_time INTEGER NOT NULL,
  PRIMARY KEY (consumer, event_id)
) STRICT;

CREATE TABLE parked_events (
  consumer    TEXT NOT NULL,
  event_id    TEXT NOT NULL,
  type        TEXT NOT NULL,
  source      TEXT NOT NULL,
  subject     TEXT NOT NULL,
  version     INTEGER NOT NULL,
  event_time  INTEGER NOT NULL,
  actor       TEXT NOT NULL,
  traceparent TEXT NOT NULL,
  data        BLOB NOT NULL,
  reason      TEXT NOT NULL,
  park_time   INTEGER NOT NULL,
  PRIMARY KEY (consumer, event_id)
) STRICT;
CREATE INDEX parked_subjects ON parked_events (consumer, source, subject);

CREATE TABLE idempotency_keys (
  caller      TEXT NOT NULL,
  method      TEXT NOT NULL,
  request_key TEXT NOT NULL,
  fingerprint TEXT NOT NULL,
  answer      BLOB NOT NULL,
  create_time INTEGER NOT NULL,
  PRIMARY KEY (caller, method, request_key)
) STRICT;
CREATE INDEX idempotency_age ON idempotency_keys (create_time);

CREATE TABLE record_chain (
  stream      TEXT NOT NULL,
  position    INTEGER NOT NULL,
  kind        TEXT NOT NULL,
  subject     TEXT NOT NULL,
  entry_time  INTEGER NOT NULL,
  actor       TEXT NOT NULL,
  payload     BLOB NOT NULL,
  hash        TEXT NOT NULL,
  PRIMARY KEY (stream, position)
) STRICT;
CREATE INDEX record_subjects ON record_chain (subject);
-- +goose StatementBegin
CREATE TRIGGER record_chain_no_update BEFORE UPDATE ON record_chain BEGIN SELECT RAISE(ABORT, 'a record is never changed'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER record_chain_no_delete BEFORE DELETE ON record_chain BEGIN SELECT RAISE(ABORT, 'a record is never deleted'); END;
-- +goose StatementEnd

CREATE TABLE used_proofs (
  proof_id TEXT PRIMARY KEY,
  use_time INTEGER NOT NULL
) STRICT;
