package store

import (
	"context"
	"errors"

	"coldsection.example/services/platform/storage"
)

// Job is a work order as its facts told it; stores know no other.
type Job struct {
	WorkOrder string
	Engine    string // engines/…; empty for an order that was scheduled before stores kept it
	Work      Work
	Ended     bool // released or voided
}

// JobOf reads an order; known is false while no fact of it came.
func JobOf(ctx context.Context, tx *storage.Tx, order string) (j Job, known bool, err error) {
	j.WorkOrder = order
	err = tx.QueryRow(ctx, "SELECT engine, work_kind, engine_model, task_card, ended <> 0 FROM jobs WHERE work_order = $1", order).
		Scan(&j.Engine, &j.Work.Kind, &j.Work.EngineModel, &j.Work.TaskCard, &j.Ended)
	if errors.Is(err, storage.ErrNoRows) {
		return j, false, nil
	}
	return j, err == nil, err
}

// SaveJob keeps an order as it was scheduled last.
func SaveJob(ctx context.Context, tx *storage.Tx, j Job) error {
	_, err := tx.Exec(ctx, `INSERT INTO jobs (work_order, engine, work_kind, engine_model, task_card, ended) VALUES ($1, $2, $3, $4, $5, 0)
		ON CONFLICT (work_order) DO UPDATE SET engine = excluded.engine, work_kind = excluded.work_kind, engine_model = excluded.engine_model,
		task_card = excluded.task_card, ended = 0`, j.WorkOrder, j.Engine, j.Work.Kind, j.Work.EngineModel, j.Work.TaskCard)
	return err
}

// EndJob keeps that an order was released or voided; one that was never scheduled stays unknown.
func EndJob(ctx context.Context, tx *storage.Tx, order string) error {
	_, err := tx.Exec(ctx, "UPDATE jobs SET ended = 1 WHERE work_order = $1", order)
	return err
}
