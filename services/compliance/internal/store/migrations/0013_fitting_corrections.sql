-- +goose Up
-- The entry that replaced a wrong one; an entry with one counts only for what was known before.
ALTER TABLE fittings ADD COLUMN correction TEXT NOT NULL DEFAULT '';
