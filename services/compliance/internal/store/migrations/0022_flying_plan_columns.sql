-- +goose Up
-- What flying plans are listed by. A plan from before has -1 until a list is asked for, which fills it in.
ALTER TABLE flying_plans ADD COLUMN revoked BIGINT NOT NULL DEFAULT -1;
ALTER TABLE flying_plans ADD COLUMN window_weeks BIGINT NOT NULL DEFAULT 0;
ALTER TABLE flying_plans ADD COLUMN updater TEXT NOT NULL DEFAULT '';
CREATE INDEX flying_plans_by_revoked ON flying_plans (revoked);
