-- +goose Up
CREATE TABLE guesses (
  target      TEXT PRIMARY KEY,
  failures    BIGINT NOT NULL,
  retry_time  BIGINT NOT NULL,
  forget_time BIGINT NOT NULL
);
CREATE INDEX guesses_forget_time ON guesses (forget_time);
