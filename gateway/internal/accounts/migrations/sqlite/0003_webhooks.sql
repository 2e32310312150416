-- +goose Up
CREATE TABLE webhook_endpoints (
  name         TEXT PRIMARY KEY,
  version      INTEGER NOT NULL,
  body         BLOB NOT NULL,
  display_name TEXT NOT NULL,
  state        TEXT NOT NULL,
  create_time  INTEGER NOT NULL
) STRICT;

CREATE TABLE webhook_progress (
  endpoint           TEXT PRIMARY KEY,
  cursor_sequence    INTEGER NOT NULL,
  first_failure_time INTEGER NOT NULL,
  secret             BLOB NOT NULL,
  old_secret         BLOB NOT NULL,
  old_secret_expire  INTEGER NOT NULL
) STRICT;

CREATE TABLE webhook_deliveries (
  name        TEXT PRIMARY KEY,
  version     INTEGER NOT NULL,
  body        BLOB NOT NULL,
  webhook_id  TEXT NOT NULL,
  event_type  TEXT NOT NULL,
  subject     TEXT NOT NULL,
  state       TEXT NOT NULL,
  create_time INTEGER NOT NULL
) STRICT;
CREATE INDEX webhook_deliveries_time ON webhook_deliveries (create_time);

CREATE TABLE webhook_messages (
  delivery    TEXT PRIMARY KEY,
  endpoint    TEXT NOT NULL,
  subject     TEXT NOT NULL,
  position    INTEGER NOT NULL,
  waiting     INTEGER NOT NULL,
  tried       INTEGER NOT NULL,
  due_time    INTEGER NOT NULL,
  claim       TEXT NOT NULL,
  claim_until INTEGER NOT NULL,
  payload     BLOB NOT NULL
) STRICT;
CREATE INDEX webhook_messages_waiting ON webhook_messages (endpoint, waiting, position);
CREATE INDEX webhook_messages_subject ON webhook_messages (endpoint, subject, waiting, position);
