-- +goose Up
-- What components said, revision by revision, from now on; record_time 0 is before revisions were kept.
INSERT INTO versions (name, version, record_time, body) SELECT name, version, 0, body FROM components;
-- Everything that is known of one subject is read at once.
CREATE INDEX accomplishments_of_subject ON accomplishments (subject);
CREATE INDEX applicability_decisions_of_subject ON applicability_decisions (subject);
CREATE INDEX due_items_of_requirement ON due_items (requirement);
