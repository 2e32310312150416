package app

import (
	"bytes"
	"cmp"
	"context"
	"slices"

	performancev1 "coldsection.example/proto/coldsection/performance/v1"
	"coldsection.example/services/performance/internal/analysis"
	"coldsection.example/services/performance/internal/store"
	"coldsection.example/services/platform/storage"
)

// maxDrafts is how many engines of one stream are worked out while it runs, some 100 kB each; the others are at its end.
const maxDrafts = 200

// draft works an engine out while its readings stream in: they are judged before they are kept, so that each is written once.
// It counts only if nothing else happened to the engine until the end of the stream; otherwise the engine is worked out from
// what is stored, and verdicts that differ are written again.
type draft struct {
	profile store.Profile
	data    engineData
	basis   string // of the tracker that it began with, as stored
	body    []byte
	tracker *analysis.Tracker
	mark    analysis.Mark
	told    came // its readings that were kept
}

// draft judges the good ones of the waiting readings, engine by engine, where that is possible.
func (in *inflow) draft(ctx context.Context, outcomes []outcome) error {
	byEngine := map[string][]*performancev1.Reading{}
	for i, o := range outcomes {
		if o.refusal == nil {
			byEngine[o.engine] = append(byEngine[o.engine], in.waiting[i].GetReading())
		}
	}
	for engine, readings := range byEngine {
		d, begun := in.drafts[engine]
		if !begun && len(in.drafts) < maxDrafts {
			var err error
			if d, err = in.app.newDraft(ctx, engine); err != nil {
				return err
			}
			in.drafts[engine] = d
		}
		if d != nil && !d.take(readings) {
			in.drafts[engine] = nil
		}
	}
	return nil
}

// newDraft begins where the last analysis of an engine ended, or with nothing; nil when the engine must be worked out anew.
func (a *App) newDraft(ctx context.Context, engine string) (d *draft, err error) {
	d = &draft{}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		if d.profile, d.data, err = a.unit(ctx, tx).engine(ctx, engine); err != nil {
			return err
		}
		if d.basis, d.body, err = store.Tracker(ctx, tx, engine); err != nil {
			return err
		}
		if len(d.body) > 0 {
			return nil
		}
		untouched, err := store.Untouched(ctx, tx, engine)
		if untouched {
			d.tracker = analysis.NewTracker(rulesOf(d.data.model))
		}
		return err
	})
	if err == nil && len(d.body) > 0 && d.basis == basisOf(d.data.model) {
		d.tracker, err = analysis.Thaw(d.body)
	}
	if err != nil || d.tracker == nil {
		return nil, err
	}
	d.mark = d.tracker.Mark()
	return d, nil
}

// take judges readings, unless one of them comes late.
func (d *draft) take(readings []*performancev1.Reading) bool {
	slices.SortStableFunc(readings, func(a, b *performancev1.Reading) int {
		return cmp.Or(a.GetReadTime().AsTime().Compare(b.GetReadTime().AsTime()), cmp.Compare(a.GetName(), b.GetName()))
	})
	if !d.tracker.Follows(readings[0].GetReadTime().AsTime()) {
		return false
	}
	for i, v := range d.tracker.Take(d.data.fitted, toAnalyse(readings)) {
		judge(readings[i], &v, d.data.model.GetRevision())
	}
	return true
}

// adopt makes a draft what is known of its engine, and says whether it still holds: nobody else worked the engine out or brought
// readings of it meanwhile, and its model is the same.
func (u unit) adopt(ctx context.Context, d *draft) (holds bool, err error) {
	if d == nil {
		return false, nil
	}
	_, data, err := u.engine(ctx, d.profile.Name)
	if err != nil || basisOf(data.model) != basisOf(d.data.model) {
		return false, err
	}
	basis, body, err := store.LockTracker(ctx, u.Tx, d.profile.Name)
	if err != nil || basis != d.basis || !bytes.Equal(body, d.body) {
		return false, err
	}
	if holds, err = store.UnpendIf(ctx, u.Tx, d.profile.Name, d.told.taken); err != nil || !holds {
		return false, err
	}
	if err := u.save(ctx, d.profile, d.data, d.tracker.From(d.mark), d.tracker, nil); err != nil {
		return true, err
	}
	return true, u.recorded(ctx, d.profile.Name, d.told)
}
