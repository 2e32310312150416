-- +goose Up
-- One extension per due item and interval: after_record is the accomplishment that the interval counts from, empty for the first.
CREATE TABLE extensions (
  due_item TEXT NOT NULL, after_record TEXT NOT NULL, body BLOB NOT NULL,
  PRIMARY KEY (due_item, after_record)
);
