-- +goose Up
CREATE INDEX movements_of_lot ON movements (lot, kind);
