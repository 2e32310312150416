-- +goose Up
-- Postings are read by their lot only, so they lie in that order and need no index beside it: one place is written for each instead of
-- three. That a posting's movement and lot exist follows from the transaction: it writes the movement, and a balance, which refers to the lot.
ALTER TABLE postings DROP CONSTRAINT postings_movement_fkey, DROP CONSTRAINT postings_lot_fkey, DROP CONSTRAINT postings_pkey,
  ADD PRIMARY KEY (lot, movement, line);
DROP INDEX postings_of_lot;
