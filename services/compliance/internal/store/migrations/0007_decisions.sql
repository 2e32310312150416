-- +goose Up
-- Whether a requirement applies to an engine, as people decided; none is ever changed, the newest holds.
CREATE TABLE applicability_decisions (
  requirement TEXT NOT NULL, subject TEXT NOT NULL, record_time BIGINT NOT NULL, position BIGINT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (requirement, subject, position)
);
