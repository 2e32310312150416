-- +goose Up
CREATE INDEX reservations_of_item ON reservations (item, state);
