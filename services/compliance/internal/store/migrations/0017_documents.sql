-- +goose Up
-- The photos and documents of work orders, as their facts tell them; record_time is when that was known here.
CREATE TABLE order_documents (
  name TEXT PRIMARY KEY, work_order TEXT NOT NULL, record_time BIGINT NOT NULL, body BLOB NOT NULL
);
CREATE INDEX order_documents_of_order ON order_documents (work_order, record_time);
