-- +goose Up
CREATE TABLE extensions (
  due_item TEXT NOT NULL, accomplishment TEXT NOT NULL, record_time BIGINT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (due_item, accomplishment)
);
ALTER TABLE requirements ADD COLUMN terminates TEXT NOT NULL DEFAULT '';
