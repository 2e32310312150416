package app

import (
	"context"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/idempotency"
	"coldsection.example/services/platform/resource"
	"coldsection.example/services/platform/storage"
)

// CorrectReading records a reading in place of one that was entered wrongly.
func (a *App) CorrectReading(ctx context.Context, req *performancev1.CorrectReadingRequest) (*performancev1.Reading, error) {
	return idempotency.Execute(ctx, a.DB, a.Clock, req, func(ctx context.Context, tx *storage.Tx) (*performancev1.Reading, error) {
		u := a.unit(ctx, tx)
		wrong, err := u.undecided(ctx, req)
		if err != nil {
			return nil, err
		}
		engine := engineOf(req.GetName())
		right := req.GetReading()
		resource.ClearOutputOnly(right)
		right.SourceId, right.Source, right.SupersededReading = "", wrong.GetSource(), wrong.GetName() // the source's id stays with what it sent
		known, err := u.enter(ctx, right, store.Profile{Name: engine})
		switch {
		case err != nil:
			return nil, err
		case right.GetName() == wrong.GetName() || alike(right, wrong):
			return nil, fault.Invalid("reading", "READING_UNCHANGED", "The correction says the same as %s. Change what was wrong.", wrong.GetName())
		case known:
			return nil, fault.Exists(right.GetName())
		}
		wrong.State, wrong.StateReason, wrong.StateText, wrong.CorrectingReading = performancev1.Reading_SUPERSEDED, supersededWhy, req.GetReason(), right.GetName()
		if err := store.Readings.Save(ctx, tx, wrong, u.now); err != nil {
			return nil, err
		}
		return u.corrected(ctx, engine, right.GetName(), wrong)
	})
}

// corrected works the engine out with the new reading and tells of both.
func (u unit) corrected(ctx context.Context, engine, right string, wrong *performancev1.Reading) (*performancev1.Reading, error) {
	if err := u.analyse(ctx, engine); err != nil {
		return nil, err
	}
	fact := &performancev1.ReadingExcluded{Engine: engine, Reading: wrong.GetName(), Reason: wrong.GetStateText()}
	if err := u.publish(ctx, "coldsection.engine.reading.excluded.v1", engine, fact); err != nil {
		return nil, err
	}
	reading, err := store.Readings.Get(ctx, u.Tx, right)
	if err != nil {
		return nil, err
	}
	var c came
	c.add(reading)
	return reading, u.recorded(ctx, engine, c)
}

func heldCount(r *performancev1.Reading) int32 {
	if r.GetState() == performancev1.Reading_HELD {
		return 1
	}
	return 0
}
