-- +goose Up
CREATE TABLE break_glass_touched (
  account    TEXT PRIMARY KEY,
  touch_time INTEGER NOT NULL
) STRICT;
