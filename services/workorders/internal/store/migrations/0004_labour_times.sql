-- +goose Up
-- When somebody worked, so that nobody is paid or counted twice for the same minutes. Entries from before stay without.
ALTER TABLE labour_entries ADD COLUMN start_time BIGINT NOT NULL DEFAULT 0;
