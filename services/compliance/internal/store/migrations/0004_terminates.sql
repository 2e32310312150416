-- +goose Up
-- The requirement that doing this one ends, to be found from there.
ALTER TABLE requirements ADD COLUMN terminates TEXT NOT NULL DEFAULT '';
CREATE INDEX requirements_by_terminates ON requirements (terminates);
