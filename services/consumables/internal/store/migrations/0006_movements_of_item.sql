-- +goose Up
CREATE INDEX movements_of_item ON movements (item, effective_time);
