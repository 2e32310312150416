-- +goose Up
-- What the analysis knows of each engine so far, so that a new reading is worked out without reading those behind it again.
-- basis names what it rests on: the form of the body, the engine model and its revision. An empty body knows nothing.
CREATE TABLE trackers (
  engine TEXT PRIMARY KEY, basis TEXT NOT NULL, body BLOB NOT NULL
);
