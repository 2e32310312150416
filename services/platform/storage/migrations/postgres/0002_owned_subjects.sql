-- +goose Up
CREATE TABLE owned_subjects (
  subject TEXT COLLATE "C" PRIMARY KEY,
  owner   TEXT COLLATE "C" NOT NULL
);
CREATE INDEX owned_by ON owned_subjects (owner);
