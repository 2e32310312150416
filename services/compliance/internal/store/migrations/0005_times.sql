-- +goose Up
-- What requirements, engines and aircraft said, revision by revision; record_time 0 is before revisions were kept.
CREATE TABLE versions (
  name TEXT NOT NULL, version BIGINT NOT NULL, record_time BIGINT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (name, version)
);
INSERT INTO versions (name, version, record_time, body) SELECT name, version, 0, body FROM requirements;
INSERT INTO versions (name, version, record_time, body) SELECT name, version, 0, body FROM engines;
INSERT INTO versions (name, version, record_time, body) SELECT name, version, 0, body FROM aircraft;
-- What was fitted where, from when to when.
CREATE TABLE fittings (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  item TEXT NOT NULL, host TEXT NOT NULL, position TEXT NOT NULL, install_date TEXT NOT NULL, remove_date TEXT NOT NULL
);
CREATE INDEX fittings_of_item ON fittings (item);
CREATE INDEX fittings_of_host ON fittings (host);
-- What each thing counted from each entry of flying: recorded at since_time, taken back at until_time (0: it still counts).
CREATE TABLE flown (
  item TEXT NOT NULL, utilization TEXT NOT NULL, since_time BIGINT NOT NULL, until_time BIGINT NOT NULL, flight_date TEXT NOT NULL,
  operating_seconds BIGINT NOT NULL, cycles BIGINT NOT NULL, starts BIGINT NOT NULL, landings BIGINT NOT NULL,
  PRIMARY KEY (item, utilization, since_time)
);
CREATE INDEX flown_by_date ON flown (item, flight_date);
CREATE INDEX flown_by_utilization ON flown (utilization);
-- Both follow from flown.
DROP TABLE utilization_engines;
DROP TABLE counter_corrections;
