-- +goose Up
CREATE TABLE items (
  name         TEXT PRIMARY KEY,
  version      BIGINT NOT NULL,
  body         BLOB NOT NULL,
  kind         TEXT NOT NULL,
  display_name TEXT NOT NULL,
  part_number  TEXT NOT NULL
);

CREATE TABLE locations (
  name         TEXT PRIMARY KEY,
  version      BIGINT NOT NULL,
  body         BLOB NOT NULL,
  kind         TEXT NOT NULL,
  display_name TEXT NOT NULL
);

CREATE TABLE lots (
  name             TEXT PRIMARY KEY,
  version          BIGINT NOT NULL,
  body             BLOB NOT NULL,
  item             TEXT NOT NULL,
  state            TEXT NOT NULL,
  manufacturer_lot TEXT NOT NULL,
  short_code       TEXT NOT NULL UNIQUE,
  use_by_date      TEXT NOT NULL,
  create_time      BIGINT NOT NULL
);
CREATE INDEX lots_of_item ON lots (item, state);

CREATE TABLE water_tests (
  name      TEXT PRIMARY KEY,
  version   BIGINT NOT NULL,
  body      BLOB NOT NULL,
  verdict   TEXT NOT NULL,
  test_time BIGINT NOT NULL,
  meter     TEXT NOT NULL
);

CREATE TABLE movements (
  name           TEXT PRIMARY KEY,
  version        BIGINT NOT NULL,
  body           BLOB NOT NULL,
  kind           TEXT NOT NULL,
  lot            TEXT NOT NULL,
  item           TEXT NOT NULL,
  work_order     TEXT NOT NULL,
  effective_time BIGINT NOT NULL,
  create_time    BIGINT NOT NULL
);
CREATE INDEX movements_of_order ON movements (work_order);

-- Postings are never changed; the sum of a movement's postings is zero for every lot.
CREATE TABLE postings (
  movement TEXT NOT NULL REFERENCES movements (name),
  line     BIGINT NOT NULL,
  lot      TEXT NOT NULL REFERENCES lots (name),
  location TEXT NOT NULL,
  amount   BIGINT NOT NULL CHECK (amount <> 0),
  PRIMARY KEY (movement, line)
);
CREATE INDEX postings_of_lot ON postings (lot);

-- Only the places of the books may go below zero: what came from outside, what is being mixed, what counts found.
CREATE TABLE balances (
  lot      TEXT NOT NULL REFERENCES lots (name),
  location TEXT NOT NULL,
  amount   BIGINT NOT NULL,
  PRIMARY KEY (lot, location),
  CHECK (amount >= 0 OR location IN ('locations/supplier', 'locations/production', 'locations/count-difference'))
);

CREATE TABLE genealogy (
  target   TEXT NOT NULL REFERENCES lots (name),
  origin   TEXT NOT NULL REFERENCES lots (name),
  movement TEXT NOT NULL,
  amount   BIGINT NOT NULL,
  PRIMARY KEY (target, origin)
);
CREATE INDEX genealogy_origin ON genealogy (origin);

CREATE TABLE reservations (
  name       TEXT PRIMARY KEY,
  version    BIGINT NOT NULL,
  body       BLOB NOT NULL,
  work_order TEXT NOT NULL,
  item       TEXT NOT NULL,
  lot        TEXT NOT NULL,
  state      TEXT NOT NULL,
  need_time  BIGINT NOT NULL
);
CREATE INDEX reservations_of_order ON reservations (work_order);
CREATE INDEX reservations_of_lot ON reservations (lot, state);

-- name is the work order and the item with a space between; amounts are millionths of the item's base unit.
CREATE TABLE demands (
  name       TEXT PRIMARY KEY,
  work_order TEXT NOT NULL,
  item       TEXT NOT NULL,
  unit_code  TEXT NOT NULL,
  needed     BIGINT NOT NULL,
  reserved   BIGINT NOT NULL,
  issued     BIGINT NOT NULL,
  need_time  BIGINT NOT NULL,
  state      TEXT NOT NULL
);
CREATE INDEX demands_of_order ON demands (work_order);
