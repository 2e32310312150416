package app

import (
	"context"
	"fmt"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/fault"
)

// basisOf names what a tracker rests on.
func basisOf(model *performancev1.EngineModel) string {
	return fmt.Sprintf("%s %s@%d", analysis.Form, model.GetName(), model.GetRevision())
}

// extend works new readings of an engine out, which were kept in this transaction, from where the last analysis ended. When
// one of them comes late, or the analysis rests on another revision, the whole engine is worked out anew.
func (u unit) extend(ctx context.Context, engine string, fresh []string) error {
	profile, ok, err := store.FindProfile(ctx, u.Tx, engine)
	if err != nil || !ok {
		return fault.Precondition("ENGINE_UNKNOWN", "%s is not known here.", engine).Because(err)
	}
	model, fitted, err := u.baselineOf(ctx, profile.Model)
	if err != nil {
		return err
	}
	basis, body, err := store.LockTracker(ctx, u.Tx, profile.Name)
	if err != nil {
		return err
	}
	if basis != basisOf(model) || len(body) == 0 {
		return u.analyse(ctx, profile.Name)
	}
	tracker, err := analysis.Thaw(body)
	if err != nil {
		return fmt.Errorf("the tracker of %s: %w", profile.Name, err)
	}
	var stored []*performancev1.Reading
	for _, name := range fresh {
		r, err := store.Readings.Get(ctx, u.Tx, name)
		if err != nil {
			return err
		}
		if !tracker.Follows(r.GetReadTime().AsTime()) {
			return u.analyse(ctx, profile.Name)
		}
		stored = append(stored, r)
	}
	byID, readings := readingsOf(stored)
	return u.save(ctx, profile, engineData{model, fitted}, tracker.Continue(fitted, readings), tracker, byID)
}
