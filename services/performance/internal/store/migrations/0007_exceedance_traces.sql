-- +goose Up
-- The trace of an exceedance, where one was given. It stands apart, so that lists and facts of exceedances stay small.
CREATE TABLE exceedance_traces (
  exceedance TEXT PRIMARY KEY, body BLOB NOT NULL
);
