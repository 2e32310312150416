-- +goose Up
-- The id of the fact that a parked one says it follows; empty for none and where nobody said.
ALTER TABLE parked_events ADD COLUMN previous_id TEXT COLLATE "C" NOT NULL DEFAULT '';
