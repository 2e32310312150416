-- +goose Up
-- What a fact said, so that the same id with other content is noticed; empty for facts of before.
ALTER TABLE processed_events ADD COLUMN digest TEXT COLLATE "C" NOT NULL DEFAULT '';
-- The version that a parked fact says it follows: -1 for the first of its type, 0 where nobody said.
ALTER TABLE parked_events ADD COLUMN previous BIGINT NOT NULL DEFAULT 0;
-- The version of the last fact of a type about a resource that a consumer is done with.
CREATE TABLE seen_versions (
  consumer TEXT COLLATE "C" NOT NULL,
  source   TEXT COLLATE "C" NOT NULL,
  subject  TEXT COLLATE "C" NOT NULL,
  type     TEXT COLLATE "C" NOT NULL,
  version  BIGINT NOT NULL,
  PRIMARY KEY (consumer, source, subject, type)
);
-- What a consumer listens to; whole is 1 when it heard all facts of the type from the first on.
CREATE TABLE consumed_types (
  consumer TEXT COLLATE "C" NOT NULL,
  type     TEXT COLLATE "C" NOT NULL,
  whole    BIGINT NOT NULL,
  PRIMARY KEY (consumer, type)
);
