-- +goose Up
-- Findings of work orders as their facts tell them, with what each said revision by revision in versions.
CREATE TABLE open_findings (
  name TEXT PRIMARY KEY, version BIGINT NOT NULL, body BLOB NOT NULL,
  finding TEXT NOT NULL, work_order TEXT NOT NULL, engine TEXT NOT NULL, aircraft TEXT NOT NULL, deferred BIGINT NOT NULL, closed BIGINT NOT NULL, limit_date TEXT NOT NULL
);
CREATE UNIQUE INDEX open_findings_by_finding ON open_findings (finding);
CREATE INDEX open_findings_of_engine ON open_findings (engine);
