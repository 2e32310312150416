-- +goose Up
-- What the due items of a subject are counted from, so that a new day needs no history: which requirements it follows from, the instants at
-- which the day began and ends that it was last looked at on, and the points. Bands may turn with the day. No instants say that history has to be read first.
CREATE TABLE due_points (
  subject TEXT PRIMARY KEY, rules TEXT NOT NULL, day_time BIGINT NOT NULL, end_time BIGINT NOT NULL, body BLOB NOT NULL
);
CREATE INDEX due_points_by_rules ON due_points (rules);
CREATE INDEX due_points_by_day ON due_points (day_time);
CREATE INDEX due_points_by_end ON due_points (end_time);
INSERT INTO due_points (subject, rules, day_time, end_time, body) SELECT name, '', 0, 0, '' FROM aircraft;
INSERT INTO due_points (subject, rules, day_time, end_time, body) SELECT name, '', 0, 0, '' FROM engines;
INSERT INTO due_points (subject, rules, day_time, end_time, body) SELECT name, '', 0, 0, '' FROM components;
-- The due list is read soonest first, within what it is filtered by.
CREATE INDEX due_items_by_date ON due_items (due_date, name);
CREATE INDEX due_items_by_band ON due_items (band, due_date, name);
CREATE INDEX due_items_by_kind ON due_items (kind, due_date, name);
DROP INDEX due_items_of_subject;
CREATE INDEX due_items_of_subject ON due_items (subject, due_date, name);
DROP INDEX due_items_of_requirement;
CREATE INDEX due_items_of_requirement ON due_items (requirement, due_date, name);
