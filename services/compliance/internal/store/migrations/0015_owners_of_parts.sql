-- +goose Up
-- Whose a component is that is in an engine, directly or in another component; from now on that is kept with every change.
INSERT INTO owned_subjects (subject, owner) SELECT c.name, o.owner FROM components c JOIN owned_subjects o ON o.subject = c.host WHERE c.host LIKE 'engines/%';
INSERT INTO owned_subjects (subject, owner) SELECT c.name, o.owner FROM components c JOIN owned_subjects o ON o.subject = c.host
  WHERE c.name NOT IN (SELECT subject FROM owned_subjects);
INSERT INTO owned_subjects (subject, owner) SELECT c.name, o.owner FROM components c JOIN owned_subjects o ON o.subject = c.host
  WHERE c.name NOT IN (SELECT subject FROM owned_subjects);
