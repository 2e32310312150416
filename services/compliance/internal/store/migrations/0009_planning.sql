-- +goose Up
CREATE TABLE flying_plans (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL
);
