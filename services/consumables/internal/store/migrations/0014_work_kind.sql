-- +goose Up
-- The kind of the work that a demand is of, as it was scheduled; empty when nobody said.
ALTER TABLE demands ADD COLUMN work_kind TEXT NOT NULL DEFAULT '';
