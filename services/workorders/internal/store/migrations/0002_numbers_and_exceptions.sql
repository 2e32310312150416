-- +goose Up
-- The last number given to an order: taking the next one locks the row, so that orders drafted at the same moment wait for
-- each other instead of failing.
CREATE TABLE order_numbers (
  series TEXT PRIMARY KEY, last_number BIGINT NOT NULL
);
INSERT INTO order_numbers (series, last_number) SELECT 'WO', COUNT(*) FROM work_orders;

-- Orders that were inspected by somebody who had worked on them are listed, and so counted, by a filter.
ALTER TABLE work_orders ADD COLUMN reinspection_exception BIGINT NOT NULL DEFAULT 0;
