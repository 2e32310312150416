-- +goose Up
CREATE TABLE owned_subjects (
  subject TEXT PRIMARY KEY,
  owner   TEXT NOT NULL
) STRICT;
CREATE INDEX owned_by ON owned_subjects (owner);
