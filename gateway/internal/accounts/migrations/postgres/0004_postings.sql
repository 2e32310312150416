-- +goose Up
CREATE TABLE postings (
  name       TEXT COLLATE "C" PRIMARY KEY,
  version    BIGINT NOT NULL,
  body       BYTEA NOT NULL,
  state      TEXT COLLATE "C" NOT NULL,
  event_type TEXT COLLATE "C" NOT NULL,
  event_date TEXT COLLATE "C" NOT NULL,
  subject    TEXT COLLATE "C" NOT NULL,
  item       TEXT COLLATE "C" NOT NULL,
  work_order TEXT COLLATE "C" NOT NULL,
  sequence   TEXT COLLATE "C" NOT NULL
);
CREATE INDEX postings_date ON postings (event_date, event_type, state);
CREATE INDEX postings_sequence ON postings (sequence);

CREATE TABLE posting_place (
  id       TEXT COLLATE "C" PRIMARY KEY,
  sequence BIGINT NOT NULL
);
