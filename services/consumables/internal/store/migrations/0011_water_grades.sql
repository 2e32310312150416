-- +goose Up
-- The operator's own grades at their newest revision, and every revision under waterGrades/{grade}@{revision}.
CREATE TABLE water_grades (
  name    TEXT PRIMARY KEY,
  version BIGINT NOT NULL,
  body    BLOB NOT NULL
);
CREATE TABLE water_grade_revisions (
  name    TEXT PRIMARY KEY,
  version BIGINT NOT NULL,
  body    BLOB NOT NULL
);
