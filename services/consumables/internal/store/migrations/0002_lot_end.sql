-- +goose Up
-- The end of a lot's life in microseconds, 0 when it has none; rows from before get theirs when they are next written.
ALTER TABLE lots ADD COLUMN expire_time BIGINT NOT NULL DEFAULT 0;
CREATE INDEX lots_by_end ON lots (state, expire_time);
