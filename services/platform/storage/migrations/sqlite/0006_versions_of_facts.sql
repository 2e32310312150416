-- +goose Up
-- What a fact said, so that the same id with other content is noticed; empty for facts of before.
ALTER TABLE processed_events ADD COLUMN digest TEXT NOT NULL DEFAULT '';
-- The version that a parked fact says it follows: -1 for the first of its type, 0 where nobody said.
ALTER TABLE parked_events ADD COLUMN previous INTEGER NOT NULL DEFAULT 0;
-- The version of the last fact of a type about a resource that a consumer is done with.
CREATE TABLE seen_versions (
  consumer TEXT NOT NULL,
  source   TEXT NOT NULL,
  subject  TEXT NOT NULL,
  type     TEXT NOT NULL,
  version  INTEGER NOT NULL,
  PRIMARY KEY (consumer, source, subject, type)
) STRICT;
-- What a consumer listens to; whole is 1 when it heard all facts of the type from the first on.
CREATE TABLE consumed_types (
  consumer TEXT NOT NULL,
  type     TEXT NOT NULL,
  whole    INTEGER NOT NULL,
  PRIMARY KEY (consumer, type)
) STRICT;
