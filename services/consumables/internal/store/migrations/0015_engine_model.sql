-- +goose Up
-- The model of the engine that a demand is for, as it was scheduled; empty when nobody said.
ALTER TABLE demands ADD COLUMN engine_model TEXT NOT NULL DEFAULT '';
