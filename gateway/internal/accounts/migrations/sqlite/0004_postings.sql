-- +goose Up
CREATE TABLE postings (
  name       TEXT PRIMARY KEY,
  version    INTEGER NOT NULL,
  body       BLOB NOT NULL,
  state      TEXT NOT NULL,
  event_type TEXT NOT NULL,
  event_date TEXT NOT NULL,
  subject    TEXT NOT NULL,
  item       TEXT NOT NULL,
  work_order TEXT NOT NULL,
  sequence   TEXT NOT NULL
) STRICT;
CREATE INDEX postings_date ON postings (event_date, event_type, state);
CREATE INDEX postings_sequence ON postings (sequence);

CREATE TABLE posting_place (
  id       TEXT PRIMARY KEY,
  sequence INTEGER NOT NULL
) STRICT;
