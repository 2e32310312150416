-- +goose Up
-- The ids of people in other systems. The row without a system says which ids were kept, and of which version.
CREATE TABLE people_ids (
  person TEXT NOT NULL REFERENCES people (name), system TEXT NOT NULL, external_id TEXT NOT NULL, version BIGINT NOT NULL,
  PRIMARY KEY (person, system)
);
CREATE INDEX people_ids_by_id ON people_ids (system, external_id);
