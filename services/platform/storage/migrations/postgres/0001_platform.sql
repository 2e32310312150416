-- +goose Up
CREATE TABLE outbox (
  seq         BIGSERIAL PRIMARY KEY,
  id          TEXT COLLATE "C" NOT NULL UNIQUE,
  type        TEXT COLLATE "C" NOT NULL,
  source      TEXT COLLATE "C" NOT NULL,
  subject     TEXT COLLATE "C" NOT NULL,
  version     BIGINT NOT NULL,
  event_time  BIGINT NOT NULL,
  actor       TEXT COLLATE "C" NOT NULL,
  traceparent TEXT COLLATE "C" NOT NULL,
  data        BYTEA NOT NULL,
  sent_time   BIGINT NOT NULL DEFAULT 0,
  CONSTRAINT outbox_order UNIQUE (source, subject, version)
);
CREATE INDEX outbox_unsent ON outbox (seq) WHERE sent_time = 0;

CREATE TABLE processed_events (
  consumer     TEXT COLLATE "C" NOT NULL,
  event_id     TEXT COLLATE "C" NOT NULL,
  process_time BIGINT NOT NULL,
  PRIMARY KEY (consumer, event_id)
);

CREATE TABLE parked_events (
  consumer    TEXT COLLATE "C" NOT NULL,
  event_id    TEXT COLLATE "C" NOT NULL,
  type        TEXT COLLATE "C" NOT NULL,
  source      TEXT COLLATE "C" NOT NULL,
  subject     TEXT COLLATE "C" NOT NULL,
  version     BIGINT NOT NULL,
  event_time  BIGINT NOT NULL,
  actor       TEXT COLLATE "C" NOT NULL,
  traceparent TEXT COLLATE "C" NOT NULL,
  data        BYTEA NOT NULL,
  reason      TEXT COLLATE "C" NOT NULL,
  park_time   BIGINT NOT NULL,
  PRIMARY KEY (consumer, event_id)
);
CREATE INDEX parked_subjects ON parked_events (consumer, source, subject);

CREATE TABLE idempotency_keys (
  caller      TEXT COLLATE "C" NOT NULL,
  method      TEXT COLLATE "C" NOT NULL,
  request_key TEXT COLLATE "C" NOT NULL,
  fingerprint TEXT COLLATE "C" NOT NULL,
  answer      BYTEA NOT NULL,
  create_time BIGINT NOT NULL,
  PRIMARY KEY (caller, method, request_key)
);
CREATE INDEX idempotency_age ON idempotency_keys (create_time);

CREATE TABLE record_chain (
  stream      TEXT COLLATE "C" NOT NULL,
  position    BIGINT NOT NULL,
  kind        TEXT COLLATE "C" NOT NULL,
  subject     TEXT COLLATE "C" NOT NULL,
  entry_time  BIGINT NOT NULL,
  actor       TEXT COLLATE "C" NOT NULL,
  payload     BYTEA NOT NULL,
  hash        TEXT COLLATE "C" NOT NULL,
  PRIMARY KEY (stream, position)
);
CREATE INDEX record_subjects ON record_chain (subject);
-- +goose StatementBegin
CREATE FUNCTION record_chain_refuse() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN RAISE EXCEPTION 'a record is never changed or deleted'; END $$;
-- +goose StatementEnd
CREATE TRIGGER record_chain_fixed BEFORE UPDATE OR DELETE OR TRUNCATE ON record_chain FOR EACH STATEMENT EXECUTE FUNCTION record_chain_refuse();

CREATE TABLE used_proofs (
  proof_id TEXT COLLATE "C" PRIMARY KEY,
  use_time BIGINT NOT NULL
);
