-- +goose Up
-- Which entry corrects a run of the starter, or time worked; entries from before were never corrected.
ALTER TABLE motoring_runs ADD COLUMN successor TEXT NOT NULL DEFAULT '';
ALTER TABLE labour_entries ADD COLUMN successor TEXT NOT NULL DEFAULT '';
