package app

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	compliancev1 "coldsection.example/proto/coldsection/compliance/v1"
	"coldsection.example/services/compliance/internal/apply"
	"coldsection.example/services/compliance/internal/store"
	"coldsection.example/services/platform/fault"
	"coldsection.example/services/platform/storage"
)

// recompute works out every requirement of an engine anew, saves what changed and publishes changes of band. requirement
// narrows it to one; accomplishment, when set, is the record that moved it.
func (u unit) recompute(ctx context.Context, engineName, requirement, accomplishment string) error {
	engine, err := store.Engines.Get(ctx, u.Tx, engineName)
	if err != nil {
		return err
	}
	condition, args := "name >= $1", []any{""}
	if requirement != "" {
		condition, args = "name = $1", []any{requirement}
	}
	all, err := store.Requirements.Where(ctx, u.Tx, condition+" ORDER BY name", args...)
	if err != nil {
		return err
	}
	s, err := u.see(ctx, engine)
	if err != nil {
		return err
	}
	for _, r := range all {
		if err := u.recomputeOne(ctx, s, r, accomplishment); err != nil {
			return fmt.Errorf("%s on %s: %w", r.GetName(), engineName, err)
		}
	}
	return nil
}

// applicable decides by model, name, serial and configuration, and says why.
func applicable(r *compliancev1.Requirement, e *compliancev1.Engine) (apply.Answer, string) {
	a := r.GetApplicability()
	if a == nil {
		return apply.Decide(nil, apply.Engine{})
	}
	rule := &apply.Rule{
		Models: a.GetEngineModels(), Engines: a.GetEngines(), Aircraft: a.GetAircraft(), EmbodiedAny: a.GetEmbodiedAny(), EmbodiedNone: a.GetEmbodiedNone(),
	}
	for _, s := range a.GetSerialRanges() {
		rule.Serials = append(rule.Serials, apply.Range{First: s.GetFirstSerial(), Last: s.GetLastSerial(), Excluded: s.GetExcluded()})
	}
	return apply.Decide(rule, apply.Engine{Model: e.GetEngineModel(), Name: e.GetName(), Aircraft: e.GetAircraft(), Serial: e.GetSerial(), Embodied: e.GetEmbodied()})
}

func dueName(requirement, engine string) string {
	return "dueItems/" + strings.TrimPrefix(requirement, "requirements/") + "." + strings.TrimPrefix(engine, "engines/")
}

// recomputeOne saves the item of a requirement that applies or may apply, and of one that once did.
func (u unit) recomputeOne(ctx context.Context, s seen, r *compliancev1.Requirement, accomplishment string) error {
	old, err := store.DueItems.Lock(ctx, u.Tx, dueName(r.GetName(), s.engine.GetName()))
	isNew := fault.HasReason(err, "NOT_FOUND")
	if err != nil && !isNew {
		return err
	}
	w, err := u.weigh(ctx, s, r)
	if err != nil {
		return err
	}
	if isNew && (w.verdict.answer == apply.No || r.GetApplicability() == nil && w.verdict.decision == nil) {
		return nil
	}
	fresh := w.item
	if isNew {
		if err := store.DueItems.Insert(ctx, u.Tx, fresh, u.now); err != nil {
			return err
		}
		return u.dueFacts(ctx, r, &compliancev1.DueItem{}, fresh, accomplishment)
	}
	if sameButForTheDay(old, fresh) {
		return u.dueFacts(ctx, r, old, fresh, accomplishment)
	}
	fresh.Etag = old.GetEtag()
	if err := store.DueItems.Save(ctx, u.Tx, fresh, u.now); err != nil {
		return err
	}
	return u.dueFacts(ctx, r, old, fresh, accomplishment)
}

// sameButForTheDay reports whether two items differ in nothing but the day that they were worked out for, so that looking again
// is no change.
func sameButForTheDay(a, b *compliancev1.DueItem) bool {
	bare := func(i *compliancev1.DueItem) *compliancev1.DueItem {
		i = proto.CloneOf(i)
		i.AsOfDate, i.UpdateTime, i.Etag, i.Explanation = nil, nil, "", ""
		for _, r := range i.GetRemaining() {
			r.Left = 0
		}
		return i
	}
	return proto.Equal(bare(a), bare(b))
}

// dueFacts tells once per change of band, and when a record moved the item.
func (u unit) dueFacts(ctx context.Context, r *compliancev1.Requirement, old, fresh *compliancev1.DueItem, accomplishment string) error {
	fact := &compliancev1.DueChanged{
		DueItem: fresh.GetName(), Requirement: r.GetName(), RequirementCode: r.GetCode(), Subject: fresh.GetSubject(), TaskCard: r.GetTaskCard(),
		Band: fresh.GetBand().String(), PreviousBand: old.GetBand().String(), DueDate: fresh.GetDueDate(), Explanation: fresh.GetExplanation(),
		Accomplishment: accomplishment,
	}
	if accomplishment != "" {
		if err := u.publish(ctx, "coldsection.compliance.due.recalculated.v1", fresh.GetName(), fact); err != nil {
			return err
		}
	}
	if old.GetBand() == fresh.GetBand() {
		return nil
	}
	switch fresh.GetBand() {
	case compliancev1.DueItem_NEAR, compliancev1.DueItem_DUE:
		if old.GetBand() == compliancev1.DueItem_DUE || old.GetBand() == compliancev1.DueItem_NEAR {
			return nil
		}
		return u.publish(ctx, "coldsection.compliance.due.approached.v1", fresh.GetName(), fact)
	case compliancev1.DueItem_OVERDUE, compliancev1.DueItem_IN_TOLERANCE:
		return u.publish(ctx, "coldsection.compliance.due.passed.v1", fresh.GetName(), fact)
	default:
		return nil
	}
}

// refreshed is a due item computed for today, without saving it.
func (u unit) refreshed(ctx context.Context, item *compliancev1.DueItem) (*compliancev1.DueItem, error) {
	engine, err := store.Engines.Get(ctx, u.Tx, item.GetSubject())
	if err != nil {
		return nil, err
	}
	r, err := store.Requirements.Get(ctx, u.Tx, item.GetRequirement())
	if err != nil {
		return nil, err
	}
	s, err := u.see(ctx, engine)
	if err != nil {
		return nil, err
	}
	fresh, err := u.work(ctx, s, r)
	if err != nil {
		return nil, err
	}
	fresh.Etag, fresh.UpdateTime = item.GetEtag(), item.GetUpdateTime()
	return fresh, nil
}

// GetDueItem reads a due item as of today.
func (a *App) GetDueItem(ctx context.Context, name string) (item *compliancev1.DueItem, err error) {
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		stored, err := store.DueItems.Get(ctx, tx, name)
		if err != nil {
			return err
		}
		item, err = a.unit(ctx, tx).refreshed(ctx, stored)
		return err
	})
	return item, err
}

// ListDueItems lists due items, each as of today; the order and filter are those of the newest sweep.
func (a *App) ListDueItems(ctx context.Context, req *compliancev1.ListDueItemsRequest) (*compliancev1.ListDueItemsResponse, error) {
	if req.GetAsOfDate() != nil {
		return nil, fault.New(fault.Unimplemented, "AS_OF_NOT_BUILT", "Due lists for another day than today are not built yet.")
	}
	items, next, err := store.DueItems.List(ctx, a.DB, a.Lister, req, "")
	if err != nil {
		return nil, err
	}
	err = a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) error {
		for i, item := range items {
			if items[i], err = a.unit(ctx, tx).refreshed(ctx, item); err != nil {
				return err
			}
		}
		return nil
	})
	return &compliancev1.ListDueItemsResponse{DueItems: items, NextPageToken: next}, err
}

// Sweep works everything out for a new day and tells what came near or passed.
func (a *App) Sweep(ctx context.Context) error {
	var engines []*compliancev1.Engine
	err := a.DB.View(ctx, func(ctx context.Context, tx *storage.Tx) (err error) {
		engines, err = store.Engines.Where(ctx, tx, "name >= '' ORDER BY name")
		return err
	})
	if err != nil {
		return err
	}
	for _, e := range engines {
		if err := a.DB.Update(ctx, func(ctx context.Context, tx *storage.Tx) error {
			return a.unit(ctx, tx).recompute(ctx, e.GetName(), "", "")
		}); err != nil {
			return err
		}
	}
	return nil
}
