-- +goose Up
CREATE TABLE sign_in_addresses (
  account      TEXT COLLATE "C" NOT NULL,
  address_hash TEXT COLLATE "C" NOT NULL,
  seen_time    BIGINT NOT NULL,
  PRIMARY KEY (account, address_hash)
);
