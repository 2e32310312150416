-- +goose Up
-- The work orders that were scheduled, as their facts said. An order of before has no engine here: nobody kept it.
CREATE TABLE jobs (
  work_order TEXT PRIMARY KEY, engine TEXT NOT NULL, work_kind TEXT NOT NULL, engine_model TEXT NOT NULL, task_card TEXT NOT NULL, ended BIGINT NOT NULL
);
INSERT INTO jobs (work_order, engine, work_kind, engine_model, task_card, ended)
SELECT work_order, '', MAX(work_kind), MAX(engine_model), MAX(task_card), MIN(CASE state WHEN 'CLOSED' THEN 1 ELSE 0 END) FROM demands GROUP BY work_order;
