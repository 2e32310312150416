-- +goose Up
CREATE TABLE sign_in_addresses (
  account      TEXT NOT NULL,
  address_hash TEXT NOT NULL,
  seen_time    INTEGER NOT NULL,
  PRIMARY KEY (account, address_hash)
) STRICT;
