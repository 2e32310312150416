-- +goose Up
-- The ids of orders in other systems. The row without a system says which ids were kept, and of which version.
CREATE TABLE work_order_ids (
  work_order TEXT NOT NULL REFERENCES work_orders (name), system TEXT NOT NULL, external_id TEXT NOT NULL, version BIGINT NOT NULL,
  PRIMARY KEY (work_order, system)
);
CREATE INDEX work_order_ids_by_id ON work_order_ids (system, external_id);
