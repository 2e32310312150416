-- +goose Up
-- Every revision of an engine model, so that what an analysis rests on can be read as it was. Each save of a model is a revision.
CREATE TABLE engine_model_revisions (
  name TEXT NOT NULL, revision BIGINT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (name, revision)
);
INSERT INTO engine_model_revisions (name, revision, body) SELECT name, version, body FROM engine_models;
