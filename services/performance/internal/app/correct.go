package app

import (
	"context"
	"crypto/sha256"
	"encoding/hex"

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
			if err := u.restate(ctx, right, wrong); err != nil {
				return nil, err
			}
		}
		wrong.State, wrong.StateReason, wrong.StateText, wrong.CorrectingReading = performancev1.Reading_SUPERSEDED, supersededWhy, req.GetReason(), right.GetName()
		if err := store.Readings.Save(ctx, tx, wrong, u.now); err != nil {
			return nil, err
		}
		return u.corrected(ctx, engine, right.GetName(), wrong)
	})
}

// restate keeps a correction that says what a reading before it said, under a name of its own: that reading was taken for wrong by mistake, and
// its name is taken. Reason: ALREADY_EXISTS.
func (u unit) restate(ctx context.Context, right, wrong *performancev1.Reading) error {
	there, err := store.Readings.Get(ctx, u.Tx, right.GetName())
	if err != nil {
		return err
	}
	if there.GetCorrectingReading() == "" {
		return fault.New(fault.AlreadyExists, "ALREADY_EXISTS", "%s says the same as the correction already. Exclude %s instead.", there.GetName(), wrong.GetName()).
			With("reading", there.GetName())
	}
	sum := sha256.Sum256([]byte(right.GetName() + " instead of " + wrong.GetName()))
	right.Name = engineOf(wrong.GetName()) + "/readings/r" + hex.EncodeToString(sum[:])[:31]
	return store.Readings.Insert(ctx, u.Tx, right, u.now)
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
