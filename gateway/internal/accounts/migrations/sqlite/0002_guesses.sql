-- +goose Up
CREATE TABLE guesses (
  target      TEXT PRIMARY KEY,
  failures    INTEGER NOT NULL,
  retry_time  INTEGER NOT NULL,
  forget_time INTEGER NOT NULL
) STRICT;
CREATE INDEX guesses_forget_time ON guesses (forget_time);
