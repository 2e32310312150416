-- +goose Up
-- What an engine flew through on a day; rows are only ever added.
CREATE TABLE flight_exposures (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL, engine TEXT NOT NULL, kind TEXT NOT NULL, flight_date TEXT NOT NULL
);
