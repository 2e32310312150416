-- +goose Up
-- What each flying plan said, version by version, with who changed it and why.
CREATE TABLE flying_plan_versions (
  name TEXT NOT NULL, version BIGINT NOT NULL, body BLOB NOT NULL, PRIMARY KEY (name, version)
);
