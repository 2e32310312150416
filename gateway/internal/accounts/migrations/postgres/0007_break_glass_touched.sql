-- +goose Up
CREATE TABLE break_glass_touched (
  account    TEXT COLLATE "C" PRIMARY KEY,
  touch_time BIGINT NOT NULL
);
