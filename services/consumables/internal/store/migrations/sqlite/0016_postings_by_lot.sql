-- +goose Up
-- Postings are read by their lot only, so they lie in that order and need no index beside it: one place is written for each instead of
-- three. That a posting's movement and lot exist follows from the transaction: it writes the movement, and a balance, which refers to the lot.
CREATE TABLE postings_by_lot (
  movement TEXT NOT NULL,
  line     BIGINT NOT NULL,
  lot      TEXT NOT NULL,
  location TEXT NOT NULL,
  amount   BIGINT NOT NULL CHECK (amount <> 0),
  PRIMARY KEY (lot, movement, line)
) WITHOUT ROWID;
INSERT INTO postings_by_lot (movement, line, lot, location, amount) SELECT movement, line, lot, location, amount FROM postings ORDER BY lot, movement, line;
DROP TABLE postings;
ALTER TABLE postings_by_lot RENAME TO postings;
