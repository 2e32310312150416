-- +goose Up
-- What a wash plan or a task card was before its current revision; rows are only ever added.
CREATE TABLE older_revisions (
  name TEXT NOT NULL, revision BIGINT NOT NULL, body BLOB NOT NULL, PRIMARY KEY (name, revision)
);
