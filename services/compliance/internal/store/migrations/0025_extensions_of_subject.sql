-- +goose Up
-- The extensions of many subjects are read at once, whenever they are worked out: by their own column, not by way of every due item.
ALTER TABLE extensions ADD COLUMN subject TEXT NOT NULL DEFAULT '';
UPDATE extensions SET subject = COALESCE((SELECT i.subject FROM due_items i WHERE i.name = extensions.due_item), '');
CREATE INDEX extensions_of_subject ON extensions (subject);
