package app

import (
	"context"
	"fmt"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/store"
)

// basisOf names what a tracker rests on.
func basisOf(model *performancev1.EngineModel) string {
	return fmt.Sprintf("%s %s@%d", analysis.Form, model.GetName(), model.GetRevision())
}

// extend works new readings of an engine out, which were kept in this transaction, from where the last analysis ended, and
// returns them by name as they stand then, perhaps with others. When one of them comes late, or the analysis rests on another
// revision, the whole engine is worked out anew.
func (u unit) extend(ctx context.Context, engine string, fresh []*performancev1.Reading) (map[string]*performancev1.Reading, error) {
	profile, data, err := u.engine(ctx, engine)
	if err != nil {
		return nil, err
	}
	basis, body, err := store.LockTracker(ctx, u.Tx, profile.Name)
	if err != nil {
		return nil, err
	}
	if basis != basisOf(data.model) || len(body) == 0 {
		return u.anew(ctx, profile, data)
	}
	tracker, err := analysis.Thaw(body)
	if err != nil {
		return nil, fmt.Errorf("the tracker of %s: %w", profile.Name, err)
	}
	for _, r := range fresh {
		if !tracker.Follows(r.GetReadTime().AsTime()) {
			return u.anew(ctx, profile, data)
		}
	}
	byID, readings := readingsOf(fresh)
	return byID, u.save(ctx, profile, data, tracker.Continue(data.fitted, readings), tracker, byID)
}
