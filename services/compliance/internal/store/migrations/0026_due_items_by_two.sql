-- +goose Up
-- What is overdue of one requirement, or of one kind, is read from one index, soonest first. Without it SQLite went through all of the band, and PostgreSQL put
-- all of the band beside all of the requirement: both grow with the fleet.
CREATE INDEX due_items_of_requirement_by_band ON due_items (requirement, band, due_date, name);
CREATE INDEX due_items_of_kind_by_band ON due_items (kind, band, due_date, name);
