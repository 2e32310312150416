-- +goose Up
-- An order's claims on an item, and an item's lots that end before an instant, are found without looking at those of others.
CREATE INDEX reservations_of_line ON reservations (work_order, item, state);
DROP INDEX reservations_of_order;
CREATE INDEX lots_of_item_by_end ON lots (item, state, expire_time);
DROP INDEX lots_of_item;
