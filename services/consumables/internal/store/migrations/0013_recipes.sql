-- +goose Up
-- Recipes at their newest revision, and every revision under recipes/{recipe}@{revision}; a lot's recipe, so that its mixes are found.
CREATE TABLE recipes (
  name         TEXT PRIMARY KEY,
  version      BIGINT NOT NULL,
  body         BLOB NOT NULL,
  item         TEXT NOT NULL,
  display_name TEXT NOT NULL
);
CREATE TABLE recipe_revisions (
  name         TEXT PRIMARY KEY,
  version      BIGINT NOT NULL,
  body         BLOB NOT NULL
);
ALTER TABLE lots ADD COLUMN recipe TEXT NOT NULL DEFAULT '';
CREATE INDEX lots_of_recipe ON lots (recipe);
