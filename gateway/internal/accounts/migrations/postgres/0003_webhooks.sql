-- +goose Up
CREATE TABLE webhook_endpoints (
  name         TEXT COLLATE "C" PRIMARY KEY,
  version      BIGINT NOT NULL,
  body         BYTEA NOT NULL,
  display_name TEXT COLLATE "C" NOT NULL,
  state        TEXT COLLATE "C" NOT NULL,
  create_time  BIGINT NOT NULL
);

CREATE TABLE webhook_progress (
  endpoint           TEXT COLLATE "C" PRIMARY KEY,
  cursor_sequence    BIGINT NOT NULL,
  first_failure_time BIGINT NOT NULL,
  secret             BYTEA NOT NULL,
  old_secret         BYTEA NOT NULL,
  old_secret_expire  BIGINT NOT NULL
);

CREATE TABLE webhook_deliveries (
  name        TEXT COLLATE "C" PRIMARY KEY,
  version     BIGINT NOT NULL,
  body        BYTEA NOT NULL,
  webhook_id  TEXT COLLATE "C" NOT NULL,
  event_type  TEXT COLLATE "C" NOT NULL,
  subject     TEXT COLLATE "C" NOT NULL,
  state       TEXT COLLATE "C" NOT NULL,
  create_time BIGINT NOT NULL
);
CREATE INDEX webhook_deliveries_time ON webhook_deliveries (create_time);

CREATE TABLE webhook_messages (
  delivery    TEXT COLLATE "C" PRIMARY KEY,
  endpoint    TEXT COLLATE "C" NOT NULL,
  subject     TEXT COLLATE "C" NOT NULL,
  position    BIGINT NOT NULL,
  waiting     BIGINT NOT NULL,
  tried       BIGINT NOT NULL,
  due_time    BIGINT NOT NULL,
  claim       TEXT COLLATE "C" NOT NULL,
  claim_until BIGINT NOT NULL,
  payload     BYTEA NOT NULL
);
CREATE INDEX webhook_messages_waiting ON webhook_messages (endpoint, waiting, position);
CREATE INDEX webhook_messages_subject ON webhook_messages (endpoint, subject, waiting, position);

-- Text compares by bytes, as on SQLite; pages and ranges of names rest on it.
ALTER TABLE accounts ALTER COLUMN name TYPE TEXT COLLATE "C", ALTER COLUMN login TYPE TEXT COLLATE "C",
  ALTER COLUMN state TYPE TEXT COLLATE "C", ALTER COLUMN kind TYPE TEXT COLLATE "C", ALTER COLUMN person TYPE TEXT COLLATE "C";
ALTER TABLE api_keys ALTER COLUMN name TYPE TEXT COLLATE "C";
ALTER TABLE audit_events ALTER COLUMN name TYPE TEXT COLLATE "C", ALTER COLUMN account TYPE TEXT COLLATE "C",
  ALTER COLUMN method TYPE TEXT COLLATE "C", ALTER COLUMN target TYPE TEXT COLLATE "C", ALTER COLUMN outcome TYPE TEXT COLLATE "C";
