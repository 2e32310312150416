-- +goose Up
-- The task card of the order that a demand is of, as it was scheduled; empty when nobody said.
ALTER TABLE demands ADD COLUMN task_card TEXT NOT NULL DEFAULT '';
