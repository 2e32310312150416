-- +goose Up
-- What due items follow from of a record stands in the index by subject, in few bytes. Rows from before have none and are read whole.
ALTER TABLE accomplishments ADD COLUMN line BLOB NOT NULL DEFAULT '';
DROP INDEX accomplishments_of_subject;
CREATE INDEX accomplishments_of_subject ON accomplishments (subject, line);
