-- +goose Up
-- What of a demand nobody claims by itself: a claim on it was given up by hand, or it was brought back. And the open demands of an item in the
-- order in which they are needed.
ALTER TABLE demands ADD COLUMN given_up BIGINT NOT NULL DEFAULT 0;
CREATE INDEX demands_of_item ON demands (item, state, need_time);
