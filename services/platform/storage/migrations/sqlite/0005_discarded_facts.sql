-- +goose Up
-- A parked fact that somebody gave up stays readable; discard_time is 0 for one that waits.
ALTER TABLE parked_events ADD COLUMN discard_time INTEGER NOT NULL DEFAULT 0;
ALTER TABLE parked_events ADD COLUMN discarder TEXT NOT NULL DEFAULT '';
ALTER TABLE parked_events ADD COLUMN discard_reason TEXT NOT NULL DEFAULT '';
