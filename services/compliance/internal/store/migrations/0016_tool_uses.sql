-- +goose Up
-- The engine that a tool was used on, and the test of water that it was used for; empty where none was told.
ALTER TABLE tool_uses ADD COLUMN engine TEXT NOT NULL DEFAULT '';
ALTER TABLE tool_uses ADD COLUMN water_test TEXT NOT NULL DEFAULT '';
